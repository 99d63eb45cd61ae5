"""``builds-in-own-areas``: bytes in another build's area, in other areas, in none; swapped files."""

from __future__ import annotations

import layout_edits as edits
import pytest
from elf_writer import SegmentSpec
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import (
    FLASH,
    RECORD,
    SAMPLER,
    SPARE,
    STATION,
    STATION_RAM,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of

RULE = "builds-in-own-areas"
IMAGE = joined().image
SAMPLER_BYTES = builds()["sampler"].stored[0].data


def _apply(station=None, sampler=None):
    return apply(RULE, image=IMAGE, handed=builds(station, sampler))


BREAKS = {
    "secondary's bytes in the primary's area": lambda: _apply(
        sampler=sampler_elf(extra=(SegmentSpec(STATION + 0x800, b"tables"),))
    ),
    "one byte over its end": lambda: _apply(sampler=sampler_elf(extra=(SegmentSpec(SPARE - 7, bytes(8)),))),
    "one byte before its start": lambda: _apply(sampler=sampler_elf(extra=(SegmentSpec(SAMPLER - 1, b"x"),))),
    "in the record's area": lambda: _apply(station=station_elf(extra=(SegmentSpec(RECORD, b"mark"),))),
    "in no area": lambda: _apply(station=station_elf(extra=(SegmentSpec(FLASH + 0x3400, b"table"),))),
    "linked for another place": lambda: _apply(sampler=sampler_elf(base=FLASH + 0x3000)),
    "swapped files": lambda: apply(
        RULE,
        image=IMAGE,
        handed={
            "station": build_of("station", sampler_elf(), "sampler.elf"),
            "sampler": build_of("sampler", station_elf(), "station.elf"),
        },
    ),
    "file headers before its area": lambda: _apply(
        sampler=sampler_elf(extra=(SegmentSpec(SAMPLER - 0x34, b"\x7fELF" + bytes(0x30)),))
    ),
}

KEEPS = {
    "both builds": lambda: apply(RULE),
    "up to the last byte of its area": lambda: _apply(
        sampler=sampler_elf(extra=(SegmentSpec(SPARE - 8, bytes(8)),))
    ),
    "a copy of the secondary's build inside the primary's": lambda: _apply(
        station=station_elf(extra=(SegmentSpec(SAMPLER, SAMPLER_BYTES),))
    ),
    "constants in a further area of its own": lambda: apply(
        RULE,
        layout(edits.ALSO_SPARE),
        IMAGE,
        builds(station=station_elf(extra=(SegmentSpec(SPARE, b"table"),))),
    ),
    "the tide gauge with an embedded sampler": lambda: apply(
        RULE, gauge(), IMAGE, gauge_builds(station="station-embedding")
    ),
}


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_the_tide_gauge_keeps_it(arrangement: str) -> None:
    """Both real builds of every arrangement stay in their areas."""
    assert apply(RULE, gauge(arrangement), IMAGE, gauge_builds(arrangement)).status == "holds"


def test_both_parties_are_named() -> None:
    """The finding names the build, both areas, and whose area it is."""
    (finding,) = findings(BREAKS["secondary's bytes in the primary's area"]())
    assert finding.parties == ("sampler", "sampler-code", "station-code", "station")
    assert "where build station is stored" in finding.what


def test_a_piece_over_two_areas_has_a_finding_for_each() -> None:
    """Bytes that begin in one foreign area and end in another are told apart."""
    result = _apply(station=station_elf(extra=(SegmentSpec(RECORD + 0x3F8, bytes(16)),)))
    assert [finding.parties[2] for finding in findings(result)] == ["record", "seal"]


def test_swapped_files_are_one_finding() -> None:
    """Where the bytes of two builds lie in each other's areas, one finding says so."""
    (found,) = findings(BREAKS["swapped files"]())
    assert found.what == "the files of builds sampler and station are swapped"
    assert {"sampler", "station"} <= {*found.parties}


def test_file_headers_get_their_own_hint() -> None:
    """Bytes that begin with an ELF header are known as such."""
    (finding,) = findings(BREAKS["file headers before its area"]())
    assert "linker option -n" in finding.next_step


def test_without_bytes_in_flash_it_is_not_checked() -> None:
    """A build that stores everything in RAM or nowhere is left to the rule on load addresses."""
    result = _apply(sampler=sampler_elf(base=STATION_RAM))
    assert [each.where for each in result.not_checked] == ["build sampler"]
    assert "load-addresses-in-flash" in result.not_checked[0].reason
    nowhere = _apply(sampler=sampler_elf(base=0x6000_0000))
    assert [each.where for each in nowhere.not_checked] == ["build sampler"]


def test_bytes_over_the_end_of_flash_are_left_to_the_other_rule() -> None:
    """Of a segment that runs over the end of flash only the part inside flash is named here."""
    result = _apply(station=station_elf(extra=(SegmentSpec(FLASH + 0x3FFC, bytes(8)),)))
    assert [str(each.span) for each in findings(result)] == ["0x1000_3FFC..0x1000_3FFF"]


def test_a_build_not_at_hand_is_not_checked() -> None:
    """The image alone does not tell what a build stores."""
    result = apply(RULE, image=IMAGE, handed={})
    assert result.status == "not checked"
    assert {each.reason for each in result.not_checked} == {
        "needs the build: station=FILE",
        "needs the build: sampler=FILE",
    }
