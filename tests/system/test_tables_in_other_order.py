"""Vector tables whose words or bytes are in another order, or after the start of their area, of compiled builds."""

from __future__ import annotations

import pytest
from compiled_pairs import compiled, layout_for, pair, said_by
from small_device import findings

RULE = "vector-table-not-blank"
WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"), ("gcc", "v7", "-O1"))
BINARY = "arm-none-eabi-objcopy -O binary"
FIRST = "stack_top, reset, stop, stop,"
WORD_MORE = (
    ("vectors[24]", "vectors[25]"),
    (FIRST, f"HEAD, {FIRST}"),
    ("[11]", "[12]"),
    ("[14 ... 23]", "[15 ... 24]"),
)


def _in_front(word: str) -> tuple[tuple[str, str], ...]:
    return tuple((old, new.replace("HEAD", word)) for old, new in WORD_MORE)


EXCHANGED = ((FIRST, "reset, stack_top, stop, stop,"),)
NO_STACK = (
    (FIRST, "reset, stop, stop,"),
    ("[11]", "[10]"),
    ("[14 ... 23]", "[13 ... 22]"),
)
"""A table without its first word."""

ORIGIN = (("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = FLASH + 0x20"),)
BREAKS = {
    "words 0 and 1": (EXCHANGED, "", "words 0 and 1 are exchanged", "into word 0"),
    "words 0 and 1 of a binary": (EXCHANGED, BINARY, "words 0 and 1 are exchanged", "into word 0"),
    "the reset handler in front": (
        _in_front("reset"),
        "",
        "the table 4 bytes after it",
        "first in the linker",
    ),
    "a mark in front of a binary": (
        _in_front("stop"),
        BINARY,
        "the table 4 bytes after it",
        "first in the linker",
    ),
    "no word 0": (NO_STACK, "", "a table without its first word", "before the reset handler"),
    "no word 0 of a binary": (NO_STACK, BINARY, "a table without its first word", "before the reset handler"),
    "a HEX file of other addresses": (
        (),
        "arm-none-eabi-objcopy -O ihex --change-addresses 4",
        "the table 4 bytes after it",
        "make the file without other addresses (objcopy --change-addresses), or place",
    ),
    "bytes of words": (
        (),
        f"{BINARY} --reverse-bytes=4",
        "bytes of words are swapped",
        "file of build station",
    ),
    "bytes of halfwords": (
        (),
        f"{BINARY} --reverse-bytes=2",
        "bytes of halfwords are swapped",
        "without a swap",
    ),
    "32 bytes on": (ORIGIN, "", "not where core station looks for it", "ORIGIN of its region"),
}
KEEPS: dict[str, tuple[tuple[tuple[str, str], ...], str]] = {
    "an ELF file": ((), ""),
    "a binary": ((), BINARY),
    "one handler for all": (((FIRST, "stack_top, reset, reset, reset,"),), BINARY),
    "a stack in what is shared": ((("stack_top, reset", "(void *)0x20004400, reset"),), ""),
    "four words": ((("vectors[24]", "vectors[4]"), (" [11] = stop, [14 ... 23] = stop", "")), BINARY),
}


def _said(edits: tuple[tuple[str, str], ...], after: str, compiler: str, family: str, level: str):
    size = " --pad-to=0x10000200" if "reverse" in after else ""
    builds = pair(
        station=compiled("station", compiler, family, level, edits, after + size),
        sampler=compiled("sampler", compiler, family, level),
    )
    return findings(said_by(RULE, layout_for(family), builds))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", BREAKS)
def test_the_order_is_named(case: str, compiler: str, family: str, level: str) -> None:
    """One finding, which says what is in another order and what to do."""
    edits, after, what, next_step = BREAKS[case]
    (found,) = _said(edits, after, compiler, family, level)
    assert what in found.what
    assert next_step in found.next_step


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", KEEPS)
def test_a_table_in_order(case: str, compiler: str, family: str, level: str) -> None:
    """Unusual words of a table say nothing of its order."""
    assert not _said(*KEEPS[case], compiler, family, level)
