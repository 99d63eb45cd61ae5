"""What takes the bytes of each memory and of each area in it."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.elf.symbol_entries import Symbol
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import ram_of
from gemel.layout.addresses import plain_span
from gemel.layout.model import Area, Memory
from gemel.record.record import record_size
from gemel.show.facts.build_uses import claimed_ram, stored_in_image
from gemel.show.facts.contents import AreaPart, AreaUse, CoreView, MemoryUse, PartKind, SymbolUse
from gemel.show.facts.used_bytes import content_runs, has_content, largest_free, per_cent, size_of
from gemel.show.facts.values import written_places
from gemel.spans import Address, Span, merge, without

MAX_SHOWN = 3
"""Symbols that are reported of each area and build."""

MAX_SYMBOLS = 4096
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
        if area.holds(use.span.start) and shown.setdefault(use.build, 0) < MAX_SHOWN:
            shown[use.build] += 1
            kept.append(use)
    return tuple(kept)


def _largest(inspection: Inspection, name: str) -> list[Symbol]:
    build = inspection.builds.get(name)
    symbols = build.symbols.places() if build and build.symbols else iter(())
    sized = [symbol for symbol in symbols if symbol.size and symbol.kind in ("object", "function")]
    # Of several names for the same bytes the global one is reported, and of these the first by name.
    sized.sort(key=lambda each: (-each.size, each.address, _BINDINGS.get(each.binding, 2), each.name))
    return sized[:MAX_SYMBOLS]


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


class _Taken:
    """Everything whose place is known, as (kind, name, spans in plain addresses), and the largest symbols."""

    def __init__(self, inspection: Inspection) -> None:
        self.known: list[tuple[PartKind, str, list[Span]]] = []
        self.symbols = symbol_uses(inspection)
        self._subject = inspection
        for name in inspection.layout.builds:
            if stored := stored_in_image(inspection, name):
                self._add("build", name, [stored])
        if inspection.record and inspection.layout.record:
            start = inspection.layout.span_of(inspection.layout.record.area).start
            self._add("record", "record", [Span(start, record_size(len(inspection.record.builds)))])
        builds = [span for kind, _, spans in self.known if kind == "build" for span in spans]
        for kind, name, place in written_places(inspection):
            erased = inspection.erased_byte_at(place.start)
            outside_builds = without([place], builds)
            if outside_builds and has_content(inspection.image, place, erased):
                self._add(kind, name, outside_builds)
        self._add_ram()

    def _add(self, kind: PartKind, name: str, spans: list[Span]) -> None:
        self.known.append((kind, name, merge(spans)))

    def _add_ram(self) -> None:
        """What the builds take of RAM: by their ELF files; a copied build by its run address alone."""
        inspection = self._subject
        for name, plan in inspection.layout.builds.items():
            build = inspection.builds.get(name)
            claims = ram_of(inspection.layout, plan, build) if build else []
            if claims:
                self._add("ram claim", name, claims)
            placed = inspection.placed.get(name)
            if placed and plan.runs_in:
                run = plain_span(inspection.layout, Span(placed.run_start, placed.stored.size), plan.core)
                if run and not claims and _in_ram(inspection, run):
                    self._add("copy", name, [run])


def _in_ram(inspection: Inspection, span: Span) -> bool:
    return any(
        memory.kind == "ram" and memory.span.overlaps(span) for memory in inspection.layout.memories.values()
    )


def memory_uses(inspection: Inspection) -> tuple[MemoryUse, ...]:
    """Each memory of the layout in its order, cut into areas and what is between them."""
    taken = _Taken(inspection)
    return tuple(_memory_use(inspection, taken, memory) for memory in inspection.layout.memories.values())


def _memory_use(inspection: Inspection, taken: _Taken, memory: Memory) -> MemoryUse:
    named = [
        (area, inspection.layout.span_of(area.name))
        for area in inspection.layout.areas.values()
        if area.memory == memory.name
    ]
    rest: list[tuple[Area | None, Span]] = [
        (None, span) for span in without([memory.span], [span for _, span in named])
    ]
    cut = sorted([*named, *rest], key=lambda pair: pair[1])
    areas = tuple(_area_use(inspection, taken, memory, area, span) for area, span in cut)
    used = sum(area.used for area in areas)
    claims = [claimed_ram(inspection, name, plan) for name, plan in inspection.layout.builds.items()]
    return MemoryUse(
        name=memory.name,
        kind=memory.kind,
        span=memory.span,
        erase_block=memory.erase_block,
        write_unit=memory.write_unit,
        erased_byte=memory.erased_byte,
        aliases=tuple(Address(alias) for alias in memory.aliases),
        views=tuple(CoreView(core, Address(start)) for core, start in memory.views.items()),
        used=used,
        all_known=memory.kind != "ram" or None not in claims,
        per_cent=per_cent(used, memory.size),
        areas=areas,
    )


def _area_use(
    inspection: Inspection, taken: _Taken, memory: Memory, area: Area | None, span: Span
) -> AreaUse:
    parts = []
    for kind, name, spans in taken.known:
        if inside := [common for each in spans if (common := each.intersection(span)).size]:
            parts.append(AreaPart(kind, name, tuple(inside), size_of(inside)))
    known = merge(each for part in parts for each in part.spans)
    unknown = [
        run
        for hole in without([span], known)
        for run in content_runs(inspection.image, hole, memory.erased_byte)
    ]
    if unknown:
        if area and area.purpose == "seal":
            parts.append(AreaPart("seal", "seal", tuple(unknown), size_of(unknown)))
        else:
            parts.append(AreaPart("unknown", "other bytes", tuple(unknown), size_of(unknown)))
    parts.sort(key=lambda part: (part.spans[0].start, part.name))
    everything = [each for part in parts for each in part.spans]
    used = size_of(everything)
    return AreaUse(
        name=area.name if area else None,
        purpose=area.purpose if area else None,
        span=span,
        used=used,
        free=span.size - used,
        per_cent=per_cent(used, span.size),
        largest_free=largest_free(span, everything),
        parts=tuple(parts),
        largest=largest_in(taken.symbols, span),
    )
