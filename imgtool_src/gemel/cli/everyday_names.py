"""Everyday names for what a command, an option or a value of ours does (common practice).

The spelling of such a name leads nowhere or astray: ``--min-rollback`` is near ``--rollback``, which is another
requirement. What is meant comes first.
"""

from __future__ import annotations

import re

COMMANDS = {
    "verify": "check",
    "validate": "check",
    "lint": "check",
    "build": "join",
    "merge": "join",
    "combine": "join",
    "link": "join",
    "seal": "sign",
    "diff": "compare",
    "info": "show",
    "inspect": "show",
    "dump": "show",
    "list": "show",
    "keygen": "keys new",
    "genkey": "keys new",
    "key": "keys new",
    "addr2line": "where",
    "lookup": "where",
    "symbols": "where",
    "run": "rehearse",
    "simulate": "rehearse",
    "emulate": "rehearse",
    "init": "draft",
    "new": "draft",
    "package": "release",
    "publish": "release",
    "ship": "release",
    "extract": "split",
    "unpack": "split",
    "help": "--help",
}
"""Our command by an everyday name for what it does."""

_OPTIONS = {
    r"(min|minimum|lowest|least)-(rollback|counter)|(rollback|counter)-(at-least|min)": "at-least",
    r"(rollback-)?counter": "rollback",
    r"pub(lic)?-?(key)?": "public",
    r"(pub|public|verify|trusted)(-?key)?s?|key|pubkey-file|ca": "trust",
    r"w?error|warnings?-as-errors|fail-on-warnings?|pedantic": "strict",
    r"o|out|output|output-file|outfile": "report",
    r"(output|report)-(format|type)|type": "format",
    r"baseline|old|base-image": "previous",
    r"base|base-address|address|offset|load-address|start": "at",
    r"silent|s": "quiet",
    r"(image-)?version": "version",
    r"private-key|signing-key|sign|k": "key",
    r"pass(word|phrase)|pass": "pass-phrase-file",
    r"dump|device": "from-device",
    r"overwrite|f": "force",
}
"""Our option by a pattern of everyday names for it, both without their dashes."""

VALUES = {
    "xml": "junit",
    "txt": "text",
    "plain": "text",
    "ihex": "hex",
    "intelhex": "hex",
    "binary": "bin",
    "linker-fragment": "linker",
    "ld": "linker",
    "gdb": "debugger",
    "json-schema": "schema",
}
"""Our value of a choice by an everyday name for it."""


def option_meant(name: str, options: list[str]) -> str:
    """That of ``options`` (``--trust``) which is meant by ``name`` (``--pubkey``); empty if none of them is."""
    word = name.lstrip("-").casefold()
    return next(
        (
            f"--{ours}"
            for names, ours in _OPTIONS.items()
            if f"--{ours}" in options and re.fullmatch(names, word)
        ),
        "",
    )
