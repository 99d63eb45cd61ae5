"""``reserved-areas-untouched``: no byte in areas of purpose reserved, erased ones included."""

from __future__ import annotations

from elf_writer import SegmentSpec
from image_edits import changed, filled
from small_device import FLASH, SAMPLER_RUN, SPARE, apply, builds, findings, joined, layout, station_elf

from gemel.spans import Span

RULE = "reserved-areas-untouched"
AREA = Span(SPARE, 0x800)
NO_RESERVED = layout({'size = "2 KiB", purpose = "reserved"': 'size = "2 KiB", purpose = "data"'})
RESERVED_RAM = layout(
    {
        'ram = ["sampler-ram", "sampler-run"]': 'ram = ["sampler-ram"]',
        'size = "3 KiB", purpose = "code"': 'size = "3 KiB", purpose = "reserved"',
    }
)


def _with(writes, read=None, handed=None):
    return apply(RULE, read, changed(joined(read).image, writes), handed)


BREAKS = {
    "its first byte": lambda: _with({AREA.start: b"\0"}),
    "its last byte": lambda: _with({AREA.last: b"\xfe"}),
    "zero padding": lambda: apply(RULE, image=filled(joined().image, AREA, 0x00), handed={}),
    "one erased byte, for which a programmer erases the block": lambda: _with({AREA.start + 4: b"\xff"}),
    "erased all over": lambda: apply(RULE, image=filled(joined().image, AREA), handed={}),
    "a raw binary with other bytes": lambda: apply(
        RULE, image=filled(joined().image, AREA, 0x00), handed={}, leaves_bytes_out=False
    ),
    "in RAM": lambda: _with({SAMPLER_RUN: b"\xff", SAMPLER_RUN + 8: b"\xff"}, RESERVED_RAM),
    "bytes of a build": lambda: _with(
        {SPARE + 0x40: b"keys"},
        handed=builds(station=station_elf(extra=(SegmentSpec(SPARE + 0x40, b"keys"),))),
    ),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "its neighbours' bytes": lambda: _with({AREA.start - 1: b"\0", AREA.end: b"\0"}),
    "nothing in reserved RAM": lambda: apply(RULE, RESERVED_RAM),
}


def test_a_raw_binary_cannot_leave_the_area_out() -> None:
    """Its erased bytes are no finding, and it is not said that the area is left alone."""
    image = filled(joined().image, Span(FLASH, 0x4000))
    result = apply(RULE, image=image, handed={}, leaves_bytes_out=False)
    assert (result.status, findings(result)) == ("not checked", [])
    assert "the programmer must leave this area alone" in result.not_checked[0].reason


def test_without_reserved_areas_there_is_nothing_to_check() -> None:
    """A layout that reserves nothing leaves the rule unchecked, not held."""
    result = apply(RULE, NO_RESERVED)
    assert result.status == "does not apply"
    assert result.not_applicable[0].reason == "the layout has no area of purpose reserved or settings"


def test_the_finding_counts_bytes_and_names_the_build() -> None:
    """What is found are the bytes that are not erased, and whose they are if that build is at hand."""
    (finding,) = findings(BREAKS["bytes of a build"]())
    assert finding.parties == ("spare", "flash", "station")
    assert finding.found.startswith("4 bytes at 0x1000_2040..0x1000_2043")
    assert finding.span == Span(SPARE + 0x40, 4)


def test_bytes_of_settings_may_be_a_device_s_own() -> None:
    """Without a build that stores them, they lead to --from-device; those of a build, or of a reserved area, do not."""
    settings = layout({'size = "2 KiB", purpose = "reserved"': 'size = "2 KiB", purpose = "settings"'})
    stored = builds(station=station_elf(extra=(SegmentSpec(SPARE + 0x40, b"keys"),)))
    for read, given, leads in ((settings, {}, True), (settings, stored, False), (None, {}, False)):
        (finding,) = findings(_with({SPARE + 0x40: b"keys"}, read, given))
        assert ("--from-device" in finding.next_step) == leads
