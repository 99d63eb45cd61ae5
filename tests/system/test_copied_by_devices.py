"""Initialised data that a device copies, which code gives where it is stored and where it runs; compiled here."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

RULE = "initialised-data-copied"
LOOP = "for (volatile uint32_t *at = data_start; at < data_end;) *at++ = *from++;"
SOURCE, TARGET, SIZE = "(uint32_t)data_load", "(uint32_t)data_start", "(uint32_t)(data_end - data_start)"
GO = "IO(0x8C) = 1; while (IO(0x90) & 1u) { }"
COPIED = {
    "source, target and words": f"IO(0x80) = {SOURCE}; IO(0x84) = {TARGET}; IO(0x88) = {SIZE}; {GO}",
    "source, target and the end": f"IO(0x80) = {SOURCE}; IO(0x84) = {TARGET}; IO(0x88) = (uint32_t)data_end; {GO}",
    "source and the end": f"IO(0x80) = {SOURCE}; IO(0x84) = (uint32_t)data_end; IO(0x88) = {SIZE}; {GO}",
    "source and the last word": f"IO(0x80) = {SOURCE}; IO(0x84) = (uint32_t)(data_end - 1); IO(0x88) = {SIZE}; {GO}",
    "source, and the word before the target": (
        f"IO(0x80) = {SOURCE}; IO(0x84) = (uint32_t)(data_start - 1); IO(0x88) = {SIZE}; {GO}"
    ),
    "a descriptor": (
        f"volatile uint32_t d[4]; d[0] = {SOURCE}; d[1] = {TARGET}; d[2] = {SIZE}; IO(0x84) = (uint32_t)d; {GO}"
    ),
    "source, and a descriptor with the target": (
        f"volatile uint32_t d[4]; d[0] = {TARGET}; d[1] = {SIZE}; IO(0x80) = {SOURCE}; IO(0x84) = (uint32_t)d; {GO}"
    ),
    "another buffer for a second channel": (
        f"IO(0xA4) = (uint32_t)table; IO(0xA8) = 12; IO(0x80) = {SOURCE}; IO(0x84) = {TARGET}; IO(0x88) = {SIZE}; {GO}"
    ),
    "code copies, and a device reads what is stored, into a buffer": (
        f"{LOOP} IO(0x80) = {SOURCE}; IO(0x84) = (uint32_t)bss_start; IO(0x88) = {SIZE}; {GO}"
    ),
}
ELSEWHERE = {
    "the cleared data": f"IO(0x80) = {SOURCE}; IO(0x84) = (uint32_t)(bss_start + 4); IO(0x88) = {SIZE}; {GO}",
    "far behind": f"IO(0x80) = {SOURCE}; IO(0x84) = {TARGET} + 0x800; IO(0x88) = {SIZE}; {GO}",
    "the target first": f"IO(0x84) = {TARGET} + 0x400; IO(0x80) = {SOURCE}; IO(0x88) = {SIZE} * 4; {GO}",
    "a descriptor with another target": (
        f"volatile uint32_t d[4]; d[0] = {SOURCE}; d[1] = {TARGET} + 0x400; d[2] = {SIZE}; IO(0x84) = (uint32_t)d; {GO}"
    ),
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v8", "-O2"), ("clang", "v7", "-O1"))
DATA = ("/*BEFORE*/", "volatile uint32_t table[12] = { 3, 1, 4, 1, 5, 9, 2, 6 }, ring[8];")
USED = ("/*MAIN*/", RELEASE + " ring[1] = table[2]; table[3] = ring[4];")


def _said(copies: str, compiler: str, family: str, level: str) -> list[str]:
    station = compiled("station", compiler, family, level, (DATA, USED, (LOOP, copies)))
    builds = pair(station=station, sampler=compiled("sampler", "gcc", family, "-Os"))
    return [each.found for each in findings(said_by(RULE, layout_for(family), builds))]


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", COPIED)
def test_a_device_may_copy(case: str, compiler: str, family: str, level: str) -> None:
    """Code that gives both places to one device, in registers or a descriptor, has it copied."""
    assert not _said(COPIED[case], compiler, family, level)


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", ELSEWHERE)
def test_a_device_that_copies_elsewhere_is_found(case: str, compiler: str, family: str, level: str) -> None:
    """The source is right, and the only address in RAM is not that of the data."""
    (found,) = _said(ELSEWHERE[case], compiler, family, level)
    assert "in no block that is copied" in found
