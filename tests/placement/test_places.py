"""Addresses of places and ranges of checksums, as a layout gives them."""

from __future__ import annotations

import pytest
from small_device import SAMPLER, STATION, layout

from gemel.layout.model import AreaPlace, AreaRange, BuildRange, Checksum, Range, SpanRange, SymbolPlace
from gemel.placement.placed import PlacedBuild
from gemel.placement.places import address_of, covered_spans, span_of_range
from gemel.spans import Span

LAYOUT = layout().layout
PLACED = {"sampler": PlacedBuild("sampler", "sampler", Span(SAMPLER, 0x128), SAMPLER, SAMPLER, None)}


def _lookup(build: str, symbol: str) -> int:
    return {("station", "image_length"): STATION + 0x100}[build, symbol]


def test_places() -> None:
    """An address stands for itself, a place in an area and a symbol count from where these are."""
    assert address_of(LAYOUT, 0x1000_0044, _lookup) == 0x1000_0044
    assert address_of(LAYOUT, AreaPlace(area="sampler-code", offset=8), _lookup) == SAMPLER + 8
    symbol = SymbolPlace(build="station", symbol="image_length", offset=2)
    assert address_of(LAYOUT, symbol, _lookup) == STATION + 0x102


@pytest.mark.parametrize(
    ("item", "span"),
    [
        ("sampler-code", Span(SAMPLER, 0x1000)),
        (SpanRange(start=0x1000_0010, size=6), Span(0x1000_0010, 6)),
        (AreaRange(area="sampler-code"), Span(SAMPLER, 0x1000)),
        (AreaRange(area="sampler-code", offset=0x10), Span(SAMPLER + 0x10, 0xFF0)),
        (AreaRange(area="sampler-code", offset=0x10, size=4), Span(SAMPLER + 0x10, 4)),
        (BuildRange(build="sampler"), Span(SAMPLER, 0x128)),
    ],
)
def test_ranges(item: Range, span: Span) -> None:
    """Every kind of range has its plain span; a build's is what is stored of it."""
    assert span_of_range(LAYOUT, item, PLACED) == span


def test_a_build_that_is_not_placed() -> None:
    """The range of a build nobody placed cannot be told."""
    with pytest.raises(KeyError):
        span_of_range(LAYOUT, BuildRange(build="station"), PLACED)


def _covered(over: tuple[Range, ...], exceptions: tuple[Range, ...] = ()) -> list[Span]:
    checksum = Checksum(name="c", algorithm="CRC-32", over=over, exceptions=exceptions, at=0)
    return covered_spans(LAYOUT, checksum, PLACED)


def test_ranges_keep_their_order_and_overlaps() -> None:
    """Ranges count one after the other as given, twice where given twice; none is merged with another."""
    second, first = SpanRange(start=8, size=4), SpanRange(start=0, size=8)
    assert _covered((second, first, second)) == [Span(8, 4), Span(0, 8), Span(8, 4)]


def test_exceptions_cut_every_range() -> None:
    """An exception may cut a range at its ends or in the middle, or take all of it."""
    over = (SpanRange(start=0, size=16), SpanRange(start=16, size=16), SpanRange(start=40, size=4))
    exceptions = (SpanRange(start=4, size=4), SpanRange(start=14, size=6), SpanRange(start=36, size=20))
    assert _covered(over, exceptions) == [Span(0, 4), Span(8, 6), Span(20, 12)]
    assert _covered((BuildRange(build="sampler"),), ("sampler-code",)) == []
