"""From what a layout says to addresses: places that are written, ranges that are covered."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from gemel.layout.addresses import stated_span
from gemel.layout.model import (
    AreaPlace,
    BuildRange,
    Checksum,
    Layout,
    PatchPlace,
    Range,
    SymbolPlace,
)
from gemel.placement.placed import PlacedBuild
from gemel.spans import Span, without

SymbolLookup = Callable[[str, str], int]
"""Gives the plain address in the image of a build's symbol, by their names; raises GemelError where there is none."""


def address_of(layout: Layout, place: PatchPlace, lookup: SymbolLookup) -> int:
    """The plain address of ``place``; raises what ``lookup`` raises for a symbol that is not found."""
    if isinstance(place, AreaPlace):
        return layout.span_of(place.area).start + place.offset
    if isinstance(place, SymbolPlace):
        return lookup(place.build, place.symbol) + place.offset
    return place


def span_of_range(layout: Layout, item: Range, placed: Mapping[str, PlacedBuild]) -> Span:
    """The plain span of one range of a checksum; raises KeyError for a build that is not placed."""
    return placed[item.build].stored if isinstance(item, BuildRange) else stated_span(layout, item)


def covered_spans(layout: Layout, checksum: Checksum, placed: Mapping[str, PlacedBuild]) -> list[Span]:
    """What ``checksum`` covers: its ranges in their order, less its exceptions."""
    exceptions = [span_of_range(layout, item, placed) for item in checksum.exceptions]
    covered: list[Span] = []
    for item in checksum.over:
        covered.extend(without([span_of_range(layout, item, placed)], exceptions))
    return covered
