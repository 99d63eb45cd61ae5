"""The largest objects and functions of the given builds, by the area that they take bytes of."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.elf.symbol_entries import Symbol
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import plain_span
from gemel.show.facts.contents import SymbolUse
from gemel.spans import Span

SHOWN = 3
"""Symbols that are reported of each area and build."""

LOOKED_AT = 4096
"""Symbols of each build, the largest, that are looked at."""

_BINDINGS = {"global": 0, "weak": 1}


def symbol_uses(inspection: Inspection) -> list[SymbolUse]:
    """Every large symbol at each plain place that it takes, largest first.

    Initialised data, and code that is copied, take RAM at run time and flash where they are stored.
    """
    found: dict[tuple[str, int], SymbolUse] = {}
    for name in inspection.layout.builds:
        for symbol in _largest(inspection, name):
            for span in _places(inspection, name, symbol):
                found.setdefault((name, span.start), SymbolUse(symbol.name, name, span, span.size))
    return sorted(found.values(), key=lambda use: (-use.size, use.span.start, use.build, use.name))


def largest_in(uses: list[SymbolUse], area: Span) -> tuple[SymbolUse, ...]:
    """The first few of ``uses``, which come largest first, of each build that begin in ``area``."""
    shown: dict[str, int] = {}
    kept = []
    for use in uses:
        if area.holds(use.span.start) and shown.setdefault(use.build, 0) < SHOWN:
            shown[use.build] += 1
            kept.append(use)
    return tuple(kept)


def _largest(inspection: Inspection, name: str) -> list[Symbol]:
    build = inspection.builds.get(name)
    symbols = build.symbols.places() if build and build.symbols else iter(())
    sized = [symbol for symbol in symbols if symbol.size and symbol.kind in ("object", "function")]
    # Of several names for the same bytes the global one is reported, and of these the first by name.
    sized.sort(key=lambda each: (-each.size, each.address, _BINDINGS.get(each.binding, 2), each.name))
    return sized[:LOOKED_AT]


def _places(inspection: Inspection, name: str, symbol: Symbol) -> Iterator[Span]:
    run = plain_span(inspection.layout, symbol.span, inspection.layout.builds[name].core)
    if run:
        yield run
    for piece in inspection.placements[name].pieces:
        offset = symbol.address - piece.segment.run_address
        stored = Span(piece.address + offset, symbol.size)
        if offset >= 0 and offset + symbol.size <= len(piece.segment.data) and stored != run:
            yield stored
            return
