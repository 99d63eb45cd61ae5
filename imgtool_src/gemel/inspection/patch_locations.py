"""Where a join writes into builds' bytes afterwards: the places of stamps and checksums."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from gemel.checksums.in_layout import checksum_size
from gemel.errors import GemelError
from gemel.layout.model import Checksum, Stamp, SymbolPlace
from gemel.placement.places import address_of
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.inspection.inspection import Subject


@dataclass(frozen=True, slots=True)
class UnknownPlace:
    """A stamp or checksum whose place is a symbol that cannot be looked up; ``width`` in bytes."""

    name: str
    build: str
    symbol: str
    width: int


@dataclass(frozen=True, slots=True)
class WrittenPlaces:
    """The plain spans of all stamps and checksums by name, and those that could not be told."""

    known: dict[str, Span]
    unknown: tuple[UnknownPlace, ...]


def written_places(subject: Subject) -> WrittenPlaces:
    """The places that the layout declares, as far as the builds at hand tell them."""
    known: dict[str, Span] = {}
    unknown: list[UnknownPlace] = []
    items: list[Stamp | Checksum] = [*subject.layout.stamps, *subject.layout.checksums]
    for item in items:
        width = item.width if isinstance(item, Stamp) else checksum_size(item)
        if not isinstance(item.at, SymbolPlace):
            known[item.name] = Span(address_of(subject.layout, item.at, subject.symbols), width)
            continue
        try:
            known[item.name] = Span(address_of(subject.layout, item.at, subject.symbols), width)
        except GemelError:
            unknown.append(UnknownPlace(item.name, item.at.build, item.at.symbol, width))
    return WrittenPlaces(known, tuple(unknown))
