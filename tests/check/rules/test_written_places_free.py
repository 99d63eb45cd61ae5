"""``written-places-free``: stamps and checksums written over code, over constants, over the next symbol."""

from __future__ import annotations

import layout_edits as edits
import pytest
from elf_writer import SegmentSpec
from gauge_rules import on_the_gauge
from small_device import (
    CODE,
    SAMPLER,
    STATION,
    apply,
    builds,
    findings,
    joined,
    layout,
    station_elf,
)

from gemel.spans import Span

RULE = "written-places-free"
IMAGE = joined().image
LENGTH_AT = STATION + 4 * 32 + len(CODE)
AT_SYMBOL = 'at = { build = "station", symbol = "image_length" }\nwidth = 4'
LAST_WORD = STATION + 0xFFC


def _stamp(at: str, width: int = 4):
    return layout({AT_SYMBOL: f"at = {at}\nwidth = {width}"})


def _station(*extra, read=None):
    return apply(RULE, read, IMAGE, builds(station=station_elf(extra=extra)))


BREAKS = {
    "code that grew into the checksum": lambda: _station(SegmentSpec(LAST_WORD - 4, bytes(range(1, 9)))),
    "one byte of a constant": lambda: _station(SegmentSpec(LAST_WORD + 3, b"\1")),
    "half zero, half erased": lambda: _station(SegmentSpec(LAST_WORD, b"\0\0\xff\xff")),
    "a stamp over code": lambda: _station(read=_stamp(f"{STATION + 0x90}")),
    "a stamp over vectors of the sampler": lambda: _station(
        read=_stamp('{ area = "sampler-code", offset = 8 }', 8)
    ),
    "a stamp wider than its symbol": lambda: _station(
        read=_stamp('{ build = "station", symbol = "image_length" }', 8)
    ),
    "a stamp after its symbol": lambda: _station(
        read=_stamp('{ build = "station", symbol = "image_length", offset = 1 }')
    ),
    "the image alone but for the build": lambda: apply(
        RULE,
        _stamp(f"{STATION + 0x90}"),
        IMAGE,
        {"station": builds()["station"]},
    ),
}

KEEPS = {
    "both builds": lambda: apply(RULE),
    "a place that the build keeps erased": lambda: _station(SegmentSpec(LAST_WORD, b"\xff" * 4)),
    "a place that the build keeps zero": lambda: _station(SegmentSpec(LAST_WORD - 8, b"codecode" + bytes(4))),
    "a stamp in free flash": lambda: apply(RULE, _stamp("0x1000_3000"), IMAGE),
    "a stamp after the build": lambda: apply(
        RULE, _stamp('{ area = "station-code", offset = 0x800 }'), IMAGE
    ),
    "the image alone, whose record says that the build ends before": lambda: apply(
        RULE, _stamp("0x1000_3000"), joined(_stamp("0x1000_3000")).image, {}
    ),
    **on_the_gauge(RULE),
}


def test_the_bytes_and_the_symbol_are_told() -> None:
    """The finding shows what the build has at the place, and in which function."""
    (finding,) = findings(BREAKS["a stamp over code"]())
    assert finding.found == "11 12 13 14 in build station (station.elf, segment 0)"
    (vectors,) = findings(BREAKS["a stamp over vectors of the sampler"]())
    assert vectors.parties == ("station-length", "sampler", "sampler-code")
    assert vectors.span == Span(SAMPLER + 8, 8)


def test_only_the_bytes_that_the_build_has_there_are_told() -> None:
    """Of a place that the build reaches in part, that part is the finding's span."""
    (finding,) = findings(BREAKS["one byte of a constant"]())
    assert finding.span == Span(LAST_WORD + 3, 1)


def test_a_symbol_without_a_size_is_judged_by_its_bytes() -> None:
    """A label of an assembler source has no size: then its bytes must be free."""
    from elf_writer import SymbolSpec

    label = SymbolSpec("label", LENGTH_AT, 0, "notype")
    handed = builds(station=station_elf(symbols=(label,)))
    free = _stamp('{ build = "station", symbol = "label" }')
    wide = _stamp('{ build = "station", symbol = "label" }', 8)
    assert apply(RULE, free, IMAGE, handed).status == "holds"
    (finding,) = findings(apply(RULE, wide, IMAGE, handed))
    assert "over bytes of build station" in finding.what


@pytest.mark.parametrize("record", [True, False])
def test_the_image_alone(record: bool) -> None:
    """Places at symbols need the build; a place inside a build's area needs it unless the record helps."""
    read = layout() if record else layout(edits.NO_RECORD)
    result = apply(RULE, read, joined(read).image, {})
    reasons = {each.where: each.reason for each in result.not_checked}
    assert reasons["stamp station-length"] == "needs the ELF file with the symbol image_length: station=FILE"
    assert ("checksum station-crc" in reasons) != record
