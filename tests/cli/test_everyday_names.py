"""Everyday names for a command, an option or a value: what is meant comes before what is spelled alike."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from in_process import run_here

from gemel.cli import everyday_names
from gemel.cli.catalogue import COMMANDS, loaded


def last(*words: str) -> str:
    """The next step of a command line that is refused."""
    done = run_here(*words, cwd=Path.cwd())
    assert done.returncode == 2
    return " ".join(done.stderr.partition("next ")[2].split())


@pytest.mark.parametrize(
    ("words", "step"),
    [
        (("check", "x.hex", "--min-rollback", "3"), 'did you mean "--at-least"? (gemel check --help)'),
        (("check", "x.hex", "--rollback-at-least", "3"), 'did you mean "--at-least"? (gemel check --help)'),
        (("check", "x.hex", "--counter", "3"), 'did you mean "--rollback"? (gemel check --help)'),
        (("check", "x.hex", "--pubkey", "a.pem"), 'did you mean "--trust"? (gemel check --help)'),
        (("check", "x.hex", "--key", "a.pem"), 'did you mean "--trust"? (gemel check --help)'),
        (("sign", "x.hex", "--pubkey", "a.pem"), 'did you mean "--public"? (gemel sign --help)'),
        (("join", "--signing-key", "a.pem"), 'did you mean "--key"? (gemel join --help)'),
        (("check", "x.hex", "--werror"), 'did you mean "--strict"? (gemel check --help)'),
        (("check", "x.hex", "-o", "x.xml"), 'did you mean "--report"? (gemel check --help)'),
        (("check", "x.hex", "--format", "xml"), 'did you mean "junit"? (gemel check --help)'),
        (("export", "linker-fragment"), 'did you mean "linker"? (gemel export --help)'),
        (("verify", "x.hex"), "write: gemel check"),
        (("keygen",), "write: gemel keys new"),
    ],
)
def test_what_is_meant(words: tuple[str, ...], step: str) -> None:
    """By the name, for an option only where the command has what is meant."""
    assert last(*words) == step


@pytest.mark.parametrize(
    ("words", "step"),
    [
        (("check", "x.hex", "--trsut", "a"), 'did you mean "--trust"? (gemel check --help)'),
        (("check", "x.hex", "--rolback", "3"), 'did you mean "--rollback"? (gemel check --help)'),
        (("check", "x.hex", "--format", "jsn"), 'did you mean "json"? (gemel check --help)'),
        (("demo", "--pubkey", "a.pem"), "gemel demo --help"),
        (("chekc", "x.hex"), 'did you mean "check"?'),
        (("nonsense",), "gemel --help"),
    ],
)
def test_slips_of_spelling_stay(words: tuple[str, ...], step: str) -> None:
    """What is near our own name is that name; what is neither is led to the help."""
    assert last(*words) == step


def test_what_is_meant_is_there() -> None:
    """Each command is ours, each option one of a command of ours, and no name is one that we have."""
    assert {name.split()[0] for name in everyday_names.COMMANDS.values()} <= {*COMMANDS, "--help"}
    assert not set(everyday_names.COMMANDS) & set(COMMANDS)
    done = [run_here(*name.split(), "--help", cwd=Path.cwd()) for name in (*COMMANDS, "keys new")]
    text = " ".join(each.stdout for each in done)
    assert all(loaded(name) for name in COMMANDS)
    for ours in everyday_names._OPTIONS.values():
        assert f"--{ours}" in text
    for value in everyday_names.VALUES.values():
        assert re.search(rf"[\[|\s]{value}[\]|\s]", text), value
