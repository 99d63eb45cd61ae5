"""From what a layout and a build say to addresses: places that are written, symbols, sections, where a core starts."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping

from gemel.errors import GemelError, Problem, nearest_hint
from gemel.image.sparse import SparseBytes
from gemel.layout.addresses import locate, stated_span
from gemel.layout.model import (
    AreaPlace,
    BuildPlan,
    BuildRange,
    Checksum,
    Layout,
    PatchPlace,
    Range,
    SymbolPlace,
)
from gemel.placement.placed import PlacedBuild
from gemel.placement.placing import Placement
from gemel.spans import Span, format_address, merge, without

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


MAX_PARTS = 1 << 16
"""Parts of sections in segments that are looked at; a build has some tens."""


def stored_parts(placement: Placement) -> tuple[list[Span], dict[int, int]] | None:
    """What sections cover of each stored piece, and the alignment of the section at the start of each.

    A piece without sections counts whole.  None where the parts are more than MAX_PARTS.
    """
    table = placement.build.sections
    sections = [each for each in table.all() if each.allocated and each.span.size] if table else []
    blocks = merge([each.span for each in sections])
    starts = [each.start for each in blocks]
    aligned = {each.span.start: each.alignment for each in sections}
    stored: list[Span] = []
    alignments: dict[int, int] = {}
    covered: dict[int, list[Span]] = {}
    for piece in placement.pieces:
        run = piece.segment.stored_run
        last = bisect_left(starts, run.end) - 1
        if last >= 0 and blocks[last].overlaps(run):
            covered.setdefault(piece.address - run.start, []).append(run)
        else:
            stored.append(piece.span)
    for distance, runs in covered.items():
        for run in merge(runs):
            for block in blocks[max(0, bisect_right(starts, run.start) - 1) : bisect_left(starts, run.end)]:
                part = block.intersection(run)
                if part.size:
                    stored.append(part.moved(distance))
                    alignments[stored[-1].start] = aligned.get(part.start, 1)
                if len(stored) > MAX_PARTS:
                    return None
    return stored, alignments


def gaps_between_sections(placement: Placement) -> list[Span]:
    """Stored bytes of no section, each of them one byte throughout: tools that read sections fill them as they like."""
    parts = stored_parts(placement) if placement.build.sections else None
    if parts is None:
        return []
    pieces = sorted(placement.pieces, key=lambda each: each.address)
    starts, found = [each.address for each in pieces], []
    for gap in without([each.span for each in pieces], parts[0]):
        for piece in pieces[bisect_right(starts, gap.start) - 1 : bisect_left(starts, gap.end)]:
            part = gap.intersection(piece.span)
            if _is_filled(memoryview(piece.segment.data)[part.start - piece.address :][: part.size]):
                found.append(part)
    return found


def _is_filled(data: memoryview) -> bool:
    return data[:-1] == data[1:]


THUMB = 1
"""Bit 0 of a code address, set for Thumb; an entry point may be written with or without it."""


def starting_plan(layout: Layout) -> BuildPlan | None:
    """The build that the primary starts with: where it fetches its vectors at reset, else its first."""
    primary = layout.primary()
    plans = layout.builds_of(primary.name)
    vectors = primary.reset_vectors
    holding = (
        plan for plan in plans if vectors is not None and layout.span_of(plan.stored_in).holds(vectors)
    )
    return next(holding, plans[0] if plans else None)


def reset_handler(layout: Layout, image: SparseBytes) -> int | None:
    """Word 1 of the starting build's vector table; None where there is no such table or word."""
    plan = starting_plan(layout)
    if plan is None or layout.areas[plan.stored_in].purpose != "code":
        return None
    word = Span(layout.table_start(plan) + 4, 4)
    return int.from_bytes(image.read(word, 0xFF), "little") if image.holds(word) else None


def is_same_code(layout: Layout, one: int, other: int) -> bool:
    """Whether two code addresses of the primary mean the same place: Thumb bit and alias put aside."""
    places = [locate(layout, each & ~THUMB, layout.primary().name) for each in (one, other)]
    plain = [
        place.plain if place else each & ~THUMB for place, each in zip(places, (one, other), strict=True)
    ]
    return plain[0] == plain[1]


class SymbolNotPlaced(GemelError):
    """A symbol's place in the image cannot be known: no build, no symbol table, no such symbol, no bytes."""

    exit_code = 1


class SymbolPlaces:
    """Finds plain addresses of symbols in placed builds; a `SymbolLookup`."""

    def __init__(self, placements: Mapping[str, Placement]) -> None:
        """Take the given builds; others are reported as not given when requested."""
        self._placements = placements

    def __call__(self, build: str, symbol: str) -> int:
        """The plain address of the first byte that ``symbol`` names; raises SymbolNotPlaced."""
        return self.span_of(build, symbol).start

    def is_ambiguous(self, build: str, symbol: str) -> bool:
        """Whether ``symbol`` is known to be at one of several places; ``span_of`` gives the first of them."""
        placement = self._placements.get(build)
        return placement is not None and len(placement.build.places.get(symbol, ())) > 1

    def span_of(self, build: str, symbol: str) -> Span:
        """The plain span of ``symbol`` (size as its table says, 0 if unknown); raises SymbolNotPlaced."""
        placement = self._placements.get(build)
        if placement is None:
            raise SymbolNotPlaced(_no_table(build, f"build {build}", "no ELF file of it was given"))
        if known := placement.build.places.get(symbol):
            return known[0]
        where = f"build {build} ({placement.build.file})"
        if placement.build.symbols is None:
            reason = placement.build.reason_for("symbols")
            raise SymbolNotPlaced(_no_table(build, where, reason))
        found = [each for each in placement.build.symbols.named(symbol) if each.defined]
        spans = {
            Span(each.address & ~1 if each.kind == "function" else each.address, each.size) for each in found
        }
        if len({span.start for span in spans}) != 1:
            words = f"{len(spans)} symbols of this name" if spans else "no such symbol"
            hint = (
                "rename all but one of them in the build's sources" if spans else _nearest(placement, symbol)
            )
            what = f"symbol {symbol} of build {build} cannot be placed"
            raise SymbolNotPlaced(what, where=where, found=words, expected="one symbol", next_step=hint)
        run = max(spans)
        for piece in placement.pieces:
            offset = run.start - piece.segment.run_address
            if 0 <= offset < len(piece.segment.data):
                return Span(piece.address + offset, run.size)
        raise SymbolNotPlaced(
            f"symbol {symbol} of build {build} has no bytes in the image",
            where=where,
            found=format_address(run.start),
            expected="an address in stored bytes",
            next_step="only stored bytes can hold a value: make it initialised, read-only data",
        )


def _nearest(placement: Placement, symbol: str) -> str:
    """The nearest name there is, or why a symbol of the source may not be there."""
    symbols = placement.build.symbols
    names = sorted({each.name for each in symbols.all() if each.defined}) if symbols else ()
    return nearest_hint(symbol, names) or (
        "what nothing uses is dropped at link: use it, mark it used, or keep its section in the linker script"
    )


def _no_table(build: str, where: str, found: str) -> Problem:
    """What is wrong where no symbol of a build can be looked up, the same for each of them."""
    return Problem(
        f"the symbols of build {build} cannot be looked up",
        where=where,
        found=found or "it has no symbols",
        expected="an ELF file with the symbols that the layout names",
        next_step=f"give its whole ELF file: {build}=FILE.elf",
    )
