"""Cleared data that no code of the build clears itself, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

RULE = "cleared-data-cleared-whole"
LOOP = "for (volatile uint32_t *at = bss_start; at < bss_end;) *at++ = 0;"
START, SIZE = "(uint32_t)bss_start", "((uint32_t)bss_end - (uint32_t)bss_start)"
GO = "IO(0x88) = 0; IO(0x8C) = 1; while (IO(0x90) & 1u) { }"
BY_DEVICE = {
    "begin and bytes": f"IO(0x80) = {START}; IO(0x84) = {SIZE}; {GO}",
    "begin and words": f"IO(0x80) = {START}; IO(0x84) = {SIZE} / 4; {GO}",
    "begin and end": f"IO(0x80) = {START}; IO(0x84) = (uint32_t)bss_end; {GO}",
}
NOT_CLEARED = {
    "no code": "",
    "a device that gets the begin alone, as of a buffer": f"IO(0x80) = {START}; IO(0x84) = 5; {GO}",
    "a device that gets another size": f"IO(0x80) = {START}; IO(0x84) = 160; {GO}",
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v8", "-O2"), ("clang", "v7", "-O1"), ("clang", "v6", "-Os"))
VARIABLES = ("/*BEFORE*/", "volatile uint32_t ring[37]; volatile uint8_t odd[13];")
USED = ("/*MAIN*/", RELEASE + " ring[5] = odd[4]; odd[3] = ring[2];")


def _said(clears: str, compiler: str, family: str, level: str) -> list[str]:
    weir = compiled("weir", compiler, family, level, (VARIABLES, USED, (LOOP, clears)))
    builds = pair(weir=weir, gate=compiled("gate", "gcc", family, "-Os"))
    return [each.next_step for each in findings(said_by(RULE, layout_for(family), builds))]


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", BY_DEVICE)
def test_a_device_that_gets_begin_and_size_may_clear(
    case: str, compiler: str, family: str, level: str
) -> None:
    """Code that gives both has it cleared."""
    assert not _said(BY_DEVICE[case], compiler, family, level)


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", NOT_CLEARED)
def test_what_nothing_clears_is_found(case: str, compiler: str, family: str, level: str) -> None:
    """The next step says what to state where a ROM clears it, and stating it is heeded."""
    (step,) = _said(NOT_CLEARED[case], compiler, family, level)
    assert "where a boot ROM or a device clears it, state that as the reason" in step


def test_that_a_rom_clears_it_can_be_stated() -> None:
    """The entry that the finding names leaves a note, and the image is accepted where warnings are not."""
    stated = (
        "[build.weir]",
        '[rules]\nseverity = [{ rule = "cleared-data-cleared-whole", severity = "note", reason = "the ROM clears" }]\n'
        "[build.weir]",
    )
    weir = compiled("weir", "gcc", "v7", "-Os", (VARIABLES, USED, (LOOP, "")))
    result = said_by(
        RULE, layout_for("v7", stated), pair(weir=weir, gate=compiled("gate", "gcc", "v7", "-Os"))
    )
    assert (result.severity, len(findings(result))) == ("note", 1)
