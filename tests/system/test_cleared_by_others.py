"""Cleared data that no code of the build clears itself, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

RULE = "cleared-data-cleared-whole"
LOOP = "for (volatile uint32_t *at = bss_start; at < bss_end;) *at++ = 0;"
START, END = "(uint32_t)bss_start", "(uint32_t)bss_end"
SIZE = f"({END} - {START})"
GO = "IO(0x88) = 0; IO(0x8C) = 1; while (IO(0x90) & 1u) { }"
BY_DEVICE = {
    "begin and bytes": f"IO(0x80) = {START}; IO(0x84) = {SIZE}; {GO}",
    "begin and words": f"IO(0x80) = {START}; IO(0x84) = {SIZE} / 4; {GO}",
    "begin and end": f"IO(0x80) = {START}; IO(0x84) = {END}; {GO}",
    "begin and bytes less one": f"IO(0x80) = {START}; IO(0x84) = {SIZE} - 1; {GO}",
    "begin and words less one": f"IO(0x80) = {START}; IO(0x84) = {SIZE} / 4 - 1; {GO}",
    "begin and last byte": f"IO(0x80) = {START}; IO(0x84) = {END} - 1; {GO}",
    "begin and last word": f"IO(0x80) = {START}; IO(0x84) = (uint32_t)(bss_end - 1); {GO}",
    "begin, and bytes above bits that enable": f"IO(0x80) = {START}; IO(0x84) = {SIZE} << 8 | 0x41; {GO}",
    "begin, and words below a bit that enables": f"IO(0x80) = {START}; IO(0x84) = {SIZE} / 4 | 1u << 31; {GO}",
    "begin, and a count between bits": f"IO(0x80) = {START}; IO(0x84) = 0xA8000002 + ({SIZE} / 4 - 1) * 16; {GO}",
    "last word and words": f"IO(0x80) = (uint32_t)(bss_end - 1); IO(0x84) = {SIZE} / 4; {GO}",
    "a descriptor on the stack": f"volatile uint32_t d[4]; d[1] = {START}; d[2] = {SIZE}; IO(0x80) = (uint32_t)d; {GO}",
    "a descriptor that is written after its address is given": (
        f"static volatile uint32_t d[4] = {{ 1 }}; IO(0x80) = (uint32_t)d; d[1] = {START}; d[2] = {END}; {GO}"
    ),
    "a constant descriptor, and a flag beside its address": (
        f"static uint32_t *const d[] = {{ 0, bss_start, bss_end }}; IO(0x80) = (uint32_t)d | 1; {GO}"
    ),
}
NOT_CLEARED = {
    "no code": "",
    "a device that gets the begin alone, as of a buffer": f"IO(0x80) = {START}; IO(0x84) = 5; {GO}",
    "a device that gets another size": f"IO(0x80) = {START}; IO(0x84) = 160; {GO}",
    "two words too few": f"IO(0x80) = {START}; IO(0x84) = {SIZE} / 4 - 2; {GO}",
    "two words too few, in a field": f"IO(0x80) = {START}; IO(0x84) = ({SIZE} - 8) << 8 | 1; {GO}",
    "two words too few, by the end": f"IO(0x80) = {START}; IO(0x84) = {END} - 8; {GO}",
    "the begin of other data": f"IO(0x80) = (uint32_t)data_start; IO(0x84) = {SIZE}; {GO}",
    "the size to another device": f"IO(0x80) = {START}; IO(0x1084) = {SIZE}; {GO}",
    "the address of a device's register with the size in it": (
        f"IO(0x80) = {START}; IO(0x84) = 0x40000000u + {SIZE}; {GO}"
    ),
    "the core's own registers, as of the MPU": (
        f"IO(0x9FFDF000u + 0xED9C) = {START}; IO(0x9FFDF000u + 0xEDA0) = {END} - 1; {GO}"
    ),
    "a descriptor that no device gets": f"volatile uint32_t d[2]; d[0] = {START}; d[1] = {SIZE}; {GO}",
    "a descriptor of too few bytes": (
        f"volatile uint32_t d[2]; d[0] = {START}; d[1] = {SIZE} - 8; IO(0x80) = (uint32_t)d; {GO}"
    ),
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v8", "-O2"), ("clang", "v7", "-O1"), ("clang", "v6", "-Os"))
VARIABLES = ("/*BEFORE*/", "volatile uint32_t ring[37]; volatile uint8_t odd[13];")
USED = ("/*MAIN*/", RELEASE + " ring[5] = odd[4]; odd[3] = ring[2];")


def _said(clears: str, compiler: str, family: str, level: str) -> list[str]:
    station = compiled("station", compiler, family, level, (VARIABLES, USED, (LOOP, clears)))
    builds = pair(station=station, sampler=compiled("sampler", "gcc", family, "-Os"))
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
    """The next step says what to state where a ROM clears it, and of code that uses the symbols not that none does."""
    (step,) = _said(NOT_CLEARED[case], compiler, family, level)
    assert "where a boot ROM or a device clears it, state that as the reason" in step
    assert "at the start" in step
    assert "no code uses" not in step


def test_that_a_rom_clears_it_can_be_stated() -> None:
    """The entry that the finding names leaves a note, and the image is accepted where warnings are not."""
    stated = (
        "[build.station]",
        '[rules]\nseverity = [{ rule = "cleared-data-cleared-whole", severity = "note", reason = "the ROM clears" }]\n'
        "[build.station]",
    )
    station = compiled("station", "gcc", "v7", "-Os", (VARIABLES, USED, (LOOP, "")))
    result = said_by(
        RULE, layout_for("v7", stated), pair(station=station, sampler=compiled("sampler", "gcc", "v7", "-Os"))
    )
    assert (result.severity, len(findings(result))) == ("note", 1)
