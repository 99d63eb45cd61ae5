"""Where a join writes into builds' bytes afterwards: the places of stamps and checksums."""

from __future__ import annotations

from collections.abc import Iterable

from gemel.checksums.in_layout import checksum_size
from gemel.errors import GemelError
from gemel.layout.model import Checksum, Layout, Stamp, SymbolPlace
from gemel.outcomes import Need
from gemel.placement.places import SymbolPlaces, address_of
from gemel.spans import Span
from gemel.structs import Struct


class UnknownLocation(Struct):
    """A stamp or checksum whose place is a symbol that cannot be looked up; ``width`` in bytes."""

    name: str
    build: str
    symbol: str
    width: int


def needs_of_places(places: Iterable[UnknownLocation]) -> list[Need]:
    """The builds and the symbols that show where ``places`` are."""
    every = list(places)
    builds = dict.fromkeys(Need("build", each.build) for each in every)
    return [*builds, *dict.fromkeys(Need("symbol", each.symbol, each.build) for each in every)]


class PatchLocations(Struct):
    """The plain spans of all stamps and checksums by name, and those that could not be known."""

    known: dict[str, Span]
    unknown: tuple[UnknownLocation, ...]


def location_of(layout: Layout, item: Stamp | Checksum, symbols: SymbolPlaces) -> Span:
    """The place of a stamp or checksum; raises GemelError where it cannot be known."""
    size = item.width if isinstance(item, Stamp) else checksum_size(item)
    return Span(address_of(layout, item.at, symbols), size)


def patch_locations(layout: Layout, symbols: SymbolPlaces) -> PatchLocations:
    """The places that the layout declares, as far as the given builds show them."""
    known: dict[str, Span] = {}
    unknown: list[UnknownLocation] = []
    for item in layout.written:
        try:
            known[item.name] = location_of(layout, item, symbols)
        except GemelError:
            if not isinstance(item.at, SymbolPlace):
                raise
            width = item.width if isinstance(item, Stamp) else checksum_size(item)
            unknown.append(UnknownLocation(item.name, item.at.build, item.at.symbol, width))
    return PatchLocations(known, tuple(unknown))
