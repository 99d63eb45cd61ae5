"""Tests of the rule ``vector-table-complete``."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, elf
from small_device import (
    RAM_OF_SAMPLER,
    SAMPLER,
    TODAY,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
    vector_words,
)
from vector_fixtures import (
    HIGH,
    HIGH_AREA,
    SAMPLER_CORE,
    SAMPLER_STORED,
    SPARE_AREA,
    alone,
    copied_layout,
    copied_sampler,
    of,
)
from verdict_builds import of as of_verdict

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.spans import Span

RULE = "vector-table-complete"
MORE = layout({"interrupts = 16": "interrupts = 64"})
"""A device with 64 interrupts, whose tables take 320 bytes."""


def _with_a_hole() -> bytes:
    """A sampler whose linker script leaves the interrupts' words out."""
    table = vector_words(RAM_OF_SAMPLER + 0x3000, SAMPLER + 0x81)[:64]
    return elf([SegmentSpec(SAMPLER, table), SegmentSpec(SAMPLER + 0x80, bytes(range(1, 129)))])


def _at_the_end_of_flash(left=32, replace=()):
    """A layout with, and a sampler whose table begins ``left`` bytes before the end of flash."""
    start = HIGH + 0x1000 - left
    stored = f'stored_in = "high-code"\nvector_offset = {start - HIGH}'
    read = layout({SPARE_AREA: HIGH_AREA + SPARE_AREA, SAMPLER_STORED: stored, **dict(replace)})
    table = vector_words(RAM_OF_SAMPLER + 0x3000, start + 1)[:left]
    return read, elf([SegmentSpec(start, table)])


def _over_the_end_of_flash():
    read, sampler = _at_the_end_of_flash()
    return of(RULE, read=read, sampler=sampler)


BREAKS = {
    "no word for an interrupt that is enabled": lambda: of_verdict(
        RULE, "v7", "sampler-vectors-none-enabled"
    ),
    "shorter than the device's": lambda: of(RULE, read=MORE),
    "shorter, image alone": lambda: alone(RULE, read=MORE),
    "a hole in the table": lambda: of(RULE, sampler=_with_a_hole()),
    "over the end of flash": _over_the_end_of_flash,
}
KEEPS = {
    "no word for an interrupt, none enabled": lambda: of_verdict(RULE, "v7", "sampler-vectors-none"),
    "both builds": lambda: of(RULE),
    "as many words as the device has": lambda: of(
        RULE, read=MORE, station=station_elf(interrupts=64), sampler=sampler_elf(interrupts=64)
    ),
    "nothing but the table": lambda: of(RULE, sampler=sampler_elf(code=b"", build_id=None)),
    "copied build": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
    "image alone": lambda: alone(RULE),
}


def test_the_finding_names_the_words_that_are_missing() -> None:
    """A table of 75 words where 80 are due lacks the last five, and they are named with their addresses."""
    first, _second = findings(BREAKS["shorter than the device's"]())
    assert first.found == "nothing of the build at 0x1000_012C..0x1000_013F"
    assert "words 75..79 of" in first.where
    assert first.span == Span(0x1000_012C, 20)
    assert "320 bytes for 16 + 64 words" in first.expected


def test_a_hole_is_found_with_the_file_only() -> None:
    """Words between two segments read as erased; that they are not stored takes the file to tell."""
    (finding,) = findings(BREAKS["a hole in the table"]())
    assert finding.found == "nothing of the build at 0x1000_1040..0x1000_107F"
    assert alone(RULE, sampler=_with_a_hole()).status == "holds"


def test_a_blank_table_is_not_checked() -> None:
    """Where there is no table it cannot be complete."""
    assert of(RULE, sampler=sampler_elf(words={0: 0, 1: 0})).status == "not checked"


@pytest.mark.parametrize("left", [8, 12, 28, 32])
@pytest.mark.parametrize("architecture", ["armv6-m", "armv7e-m", "armv8-m.base", "armv8-m.main"])
def test_every_rule_takes_a_table_that_is_cut(architecture, left) -> None:
    """Flash may end after the two words that a layout demands: no rule reads a word that is not there."""
    core = SAMPLER_CORE.replace("armv8-m.main", architecture)
    read, sampler = _at_the_end_of_flash(left, {SAMPLER_CORE: core})
    image = joined(read, builds(sampler=sampler)).image
    for handed in ({}, builds(sampler=sampler)):
        result = check(Inspection(read, image, handed, disassemble=True), TODAY)
        assert RULE in {each.rule.name for each in result.results if each.findings}
