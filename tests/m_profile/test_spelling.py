"""Instructions in words, with the disassembler library and without it."""

from __future__ import annotations

import pytest

from gemel.m_profile.instructions import disassembly as spelling
from gemel.m_profile.instructions.disassembly import (
    NEEDS_EXTRA,
    NOT_ASKED,
    raw,
    reads_whole,
    spelled,
    why_not,
)


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("90ed000a", "vldr s0, [r0]"),
        ("07ee903a", "vmov s15, r3"),
        ("7fe97fe9", "sg"),
        ("7447", "bxns lr"),
        ("b0fbf1f0", "udiv r0, r0, r1"),
        ("00bf", "nop"),
    ],
)
def test_instructions_as_an_assembler_writes_them(code: str, text: str) -> None:
    """The encodings are the assembler's (llvm-mc and the GNU assembler agree on them)."""
    assert spelled(bytes.fromhex(code), 0x1000) == text


def test_what_the_library_does_not_know_is_given_raw() -> None:
    """An instruction newer than the library is written as halfwords that an assembler takes."""
    wls = bytes.fromhex("40f001c0")
    assert spelled(wls, 0x1000) == ""
    assert raw(wls) == ".inst.w 0xf040c001"
    setend = bytes.fromhex("58b6")
    assert spelled(setend, 0x1000) == ""
    assert raw(setend) == ".inst.n 0xb658"


def test_instructions_in_a_row() -> None:
    """Instructions in a row are read to the end where the library knows each, and else are not."""
    assert reads_whole(bytes.fromhex("10b5 90ed000a 10bd"), 0x1000)
    assert not reads_whole(bytes.fromhex("10b5 40f001c0 10bd"), 0x1000)
    assert not reads_whole(bytes.fromhex("10b5 90ed"), 0x1000)


def test_why_code_is_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not asked goes before not installed; with both there is no reason."""
    assert why_not(True) == ""
    assert why_not(False) == NOT_ASKED
    monkeypatch.setattr(spelling, "find_spec", lambda name: None)
    assert why_not(True) == NEEDS_EXTRA
    assert why_not(False) == NOT_ASKED
