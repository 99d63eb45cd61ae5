"""``flash-words-programmed``: holes of whole write units in builds and checksummed ranges."""

from __future__ import annotations

from types import MappingProxyType

import layout_edits as edits
from elf_writer import SegmentSpec
from gauge_rules import on_the_gauge
from image_edits import changed, filled, holding
from small_device import (
    FLASH,
    SAMPLER,
    STATION,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)

from gemel.spans import Span

RULE = "flash-words-programmed"
NO_RECORD = layout(edits.NO_RECORD)
OVER_BUILD = layout(
    {
        'over = [{ area = "station-code", offset = 0, size = 0xFFC }]': 'over = [{ build = "sampler" }]',
    }
)


TABLE = builds(station=station_elf(extra=(SegmentSpec(FLASH + 0x2000, bytes(range(64))),)))


def _over(count, changes=MappingProxyType({})):
    """The station's checksum over so many ranges, the third one from 0x800 on."""
    ranges = [
        f'{{ area = "station-code", offset = {at:#x}, size = 0x100 }}' for at in (0, 0x400, 0x800, 0xA00)
    ]
    whole = 'over = [{ area = "station-code", offset = 0, size = 0xFFC }]'
    return layout({**changes, whole: f"over = [{', '.join(ranges[:count])}]"})


def _without(*spans, read=None, handed=None):
    image = joined(read, handed or builds()).image
    return apply(RULE, read, changed(image, {}, tuple(Span(*span) for span in spans)), handed)


ENDLESS = builds(sampler=sampler_elf(code=b"\xfe\xe7" * 64))
"""Each instruction of the sampler is a branch to itself: what runs on to the end of a build is found to be cut."""

BREAKS = {
    "a unit of a build": lambda: _without((SAMPLER + 0x40, 8)),
    "the unwritten tail of a checksummed area": lambda: _without((STATION + 0x200, 0xDF8), handed={}),
    "several holes": lambda: _without(*((SAMPLER + 0x20 * n, 0x10) for n in range(1, 6))),
    "the first unit of a build": lambda: _without((SAMPLER, 8)),
    "the build that a checksum covers": lambda: _without((SAMPLER + 0x40, 8), read=OVER_BUILD, handed={}),
    "a further area of a build": lambda: _without(
        (FLASH + 0x2010, 0x10), read=layout(edits.ALSO_SPARE), handed=TABLE
    ),
    "a checksum over three ranges": lambda: _without((STATION + 0x800, 8), read=_over(3), handed={}),
    "a checksum over four ranges": lambda: _without((STATION + 0x800, 8), read=_over(4), handed={}),
    "known from the image's bytes alone": lambda: _without((SAMPLER + 0x40, 8), read=NO_RECORD, handed={}),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone, with its record": lambda: apply(RULE, handed={}),
    "fill of a raw binary": lambda: apply(RULE, image=filled(joined().image, Span(FLASH, 0x4000))),
    "a unit in part": lambda: _without((SAMPLER + 0x41, 7), (SAMPLER + 0x60, 7)),
    "a further area of a build": lambda: apply(RULE, layout(edits.ALSO_SPARE), handed=TABLE),
    "a checksum over a build": lambda: apply(RULE, OVER_BUILD),
    **on_the_gauge(RULE),
}


def test_builds_and_checksums_are_told_apart() -> None:
    """A hole in the station's area behind its build breaks the checksum's range, not the build."""
    result = BREAKS["the unwritten tail of a checksummed area"]()
    assert [finding.parties for finding in findings(result)] == [("station-crc", "station-code", "flash")]
    assert [held.where for held in result.holds] == ["build station", "build sampler"]


def test_only_whole_units_count() -> None:
    """A hole that begins and ends inside units is cut to the units of which nothing is held."""
    (finding,) = findings(_without((SAMPLER + 0x41, 0x1E)))
    assert finding.span == Span(SAMPLER + 0x48, 0x10)


def test_the_end_of_a_guessed_build_is_not_known() -> None:
    """Without build and record, bytes behind the last one that is not erased may be missing or not."""
    result = apply(RULE, NO_RECORD, handed={}, image=joined(NO_RECORD, ENDLESS).image)
    assert [each.where for each in result.not_checked] == ["build station", "build sampler"]
    assert "sampler=FILE" in result.not_checked[1].reason


def test_what_a_checksum_fills_is_after_the_end_of_a_build() -> None:
    """The join fills its ranges: holes before and between them are no part of a build whose end is not known."""
    read = _over(3, edits.NO_RECORD)
    result = apply(RULE, read, joined(read, ENDLESS).image, {})
    assert not findings(result)
    assert {each.where for each in result.not_checked} == {"build station", "build sampler"}


def test_a_build_that_is_not_there_is_not_checked() -> None:
    """Neither the build nor a checksum over it can be looked at when nothing of it is found."""
    image = holding({STATION: b"\1" * 64})
    result = apply(RULE, OVER_BUILD, image, {})
    reasons = {each.where: each.reason for each in result.not_checked}
    assert reasons["build sampler"] == "nothing of build sampler was found in the image"
    assert reasons["checksum station-crc"] == "nothing of build sampler was found in the image"


def test_it_warns() -> None:
    """Flash without error correction reads such words as erased, so the image is not refused."""
    assert BREAKS["a unit of a build"]().severity == "warning"


def test_a_build_at_hand_tells_its_own_extent() -> None:
    """With the build at hand, a hole at its very end counts as well."""
    end = joined().placed["sampler"].stored.end
    (finding,) = findings(_without((end - 16, 16), handed=builds()))
    assert finding.span == Span(end - 16, 16)
