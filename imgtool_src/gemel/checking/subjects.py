"""What rules are about, so that a list of them can be read: each rule belongs to the first subject that names it."""

from __future__ import annotations

import re

SUBJECTS: tuple[tuple[str, str], ...] = (
    ("seal, version and policy", r"seal|version|rollback|policy"),
    ("record and identity", r"record|rest-digest|build-ids|embedded|stamps"),
    ("checksums", r"checksum"),
    ("security attribution", r"veneer|secure|attribution|callable"),
    (
        "starting the cores",
        r"release|boot-constant|primary-holds|primary-vectors|reset-handler|entry|rehearsal",
    ),
    ("vector tables and handlers", r"vector|handler"),
    ("what both cores share", r"contract|shared|atomics"),
    ("stack, heap and RAM", r"stack|heap|ram-claims|start-c|initialised|cleared|copied|copy-"),
    ("instructions and extensions", r"instruction|architecture|demands|float"),
    ("what is in flash", r""),
)
"""Each subject, and a pattern for the names of its rules; the last one takes all others."""


def subject_of(name: str) -> str:
    """The subject of the rule of that name."""
    return next(subject for subject, pattern in SUBJECTS if re.search(pattern, name))
