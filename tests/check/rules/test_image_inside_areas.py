"""``image-inside-areas``: bytes in the gaps between areas, which must stay erased."""

from __future__ import annotations

from elf_writer import SegmentSpec
from image_edits import changed, filled, holding
from small_device import FLASH, apply, builds, findings, joined, layout, station_elf

from gemel.spans import Span

RULE = "image-inside-areas"
FREE = Span(FLASH + 0x3000, 0x1000)
ZERO_ERASED = layout({"write_unit = 8": "write_unit = 8\nerased_byte = 0"})
CHECKSUM_OUTSIDE = layout({'at = { area = "station-code", offset = 0xFFC }': "at = 0x1000_3FFC"})
STAMP_OUTSIDE = layout({'at = { build = "station", symbol = "image_length" }': "at = 0x1000_3008"})
GAP_INSIDE = layout(
    {
        'spare = { memory = "flash", offset = "8 KiB", size = "2 KiB"': 'spare = { memory = "flash", '
        'offset = "8 KiB", size = "1 KiB"'
    }
)


def _with(writes, read=None, handed=None):
    return apply(RULE, read, changed(joined(read).image, writes), handed)


BREAKS = {
    "first byte after the last area": lambda: _with({FREE.start: b"\0"}),
    "last byte of flash": lambda: _with({FREE.last: b"\0"}),
    "zero padding": lambda: apply(RULE, image=filled(joined().image, FREE, 0x00)),
    "between two areas": lambda: _with({FLASH + 0x2400: b"ab", FLASH + 0x27FF: b"c"}, GAP_INSIDE),
    "another erased byte": lambda: _with({FREE.start: b"\xff" * 16}, ZERO_ERASED),
    "bytes of a build": lambda: _with(
        {FREE.start + 0x10: b"table"},
        handed=builds(station=station_elf(extra=(SegmentSpec(FREE.start + 0x10, b"table"),))),
    ),
    "next to a checksum outside all areas": lambda: _with({FREE.last - 4: b"\0"}, CHECKSUM_OUTSIDE),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "fill of a raw binary": lambda: apply(RULE, image=filled(joined().image, Span(FLASH, 0x4000)), handed={}),
    "a checksum outside all areas": lambda: apply(RULE, CHECKSUM_OUTSIDE),
    "a stamp outside all areas": lambda: apply(RULE, STAMP_OUTSIDE),
    "stamps at symbols of builds that are not given": lambda: apply(RULE, handed={}),
    "erased byte zero": lambda: apply(RULE, ZERO_ERASED, filled(joined(ZERO_ERASED).image, FREE, 0x00)),
}


def test_last_byte_of_an_area_is_inside() -> None:
    """The byte before the gap belongs to the area, the first of the gap does not."""
    image = holding({FREE.start - 1: b"\0\0"})
    (finding,) = findings(apply(RULE, image=image, handed={}))
    assert finding.span == Span(FREE.start, 1)
    assert finding.parties == ("flash", "seal")


def test_each_gap_has_one_finding() -> None:
    """However many bytes lie in a gap, it is one finding with their number and extent."""
    image = changed(joined(GAP_INSIDE).image, {FREE.start + 0x100 * n: b"\0" for n in range(16)})
    image.write(FLASH + 0x2400, b"\0")
    found = findings(apply(RULE, GAP_INSIDE, image))
    assert [finding.found for finding in found] == [
        "1 byte at 0x1000_2400",
        "16 bytes at 0x1000_3000..0x1000_3F00",
    ]


def test_a_build_with_bytes_there_is_named() -> None:
    """A build at hand that stores bytes in the gap is a party of the finding."""
    (finding,) = findings(BREAKS["bytes of a build"]())
    assert "station" in finding.parties
    assert "build station" in finding.found
