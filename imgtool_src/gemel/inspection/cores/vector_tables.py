"""What the rules about vector tables share: which tables there are, how their words are described and found."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from itertools import groupby

from gemel.inspection.cores.views import described_word, runs_from, stack_area
from gemel.inspection.inspection import Inspection, VectorTable, once
from gemel.inspection.instead_of_tables import vector_builds
from gemel.inspection.patch_locations import needs_of_places
from gemel.inspection.wording import lines_in_short, see
from gemel.layout.addresses import locate, starts_of
from gemel.layout.model import BootSymbol, BuildPlan, Layout, Release
from gemel.m_profile.architectures import ARCHITECTURES
from gemel.m_profile.vector_tables import (
    FIRST_INTERRUPT,
    MIN_ALIGNMENT,
    possible_tables,
    reserved_words,
    word_name,
)
from gemel.outcomes import NOT_FOUND, NotChecked, Reason
from gemel.placement.placed import PlacedBuild
from gemel.spans import Span, align_down, align_up, format_address, merge


def tables(
    inspection: Inspection, architectures: Container[str] = ARCHITECTURES
) -> Iterator[VectorTable | NotChecked]:
    """The table of each build for a core of these architectures, or why its words cannot be looked at."""
    cores = inspection.layout.cores
    for plan, found in _tables_or_reasons(inspection):
        if cores[plan.core].architecture in architectures:
            yield found


@once
def _tables_or_reasons(inspection: Inspection) -> list[tuple[BuildPlan, VectorTable | NotChecked]]:
    return [(plan, _table_or_reason(inspection, plan)) for plan in vector_builds(inspection.layout)]


def _table_or_reason(inspection: Inspection, plan: BuildPlan) -> VectorTable | NotChecked:
    """The vector table of a build, or why its words cannot be looked at."""
    where, table = f"build {plan.name}", inspection.vector_table(plan.name)
    if table is None:
        return NotChecked(where, NOT_FOUND)
    if plan.name in inspection.blank_tables:
        return NotChecked(where, see("vector-table-not-blank", "its vector table is blank"))
    if inspection.instead_of_tables.get(plan.name):
        return NotChecked(where, see("vector-table-not-blank", "its vector table is not there"))
    return table


def table_span(layout: Layout, plan: BuildPlan) -> Span:
    """Where the layout has the whole vector table of a build, in plain addresses."""
    start = layout.table_start(plan)
    return Span(start, 4 * (FIRST_INTERRUPT + layout.cores[plan.core].interrupts))


def addresses_of_table(layout: Layout, plan: BuildPlan, placed: PlacedBuild) -> list[int]:
    """Where the build's core sees its vector table: its own address first, then those of aliases."""
    located = locate(layout, placed.vector_address, plan.core)
    aliases = [start + located.offset for start in starts_of(located.memory, plan.core)] if located else []
    return list(dict.fromkeys([placed.vector_address, *aliases]))


def address_in(release: Release, value: int | None) -> int | None:
    """The address in a value for the vector register; where this is the control register too, without its bits."""
    if value is None or release.vector_register != release.control_register:
        return value
    return value & ~((release.release_mask | release.key_mask) & (MIN_ALIGNMENT - 1))


def moved_handlers(inspection: Inspection, table: VectorTable) -> int:
    """1 or -1 where the handlers from SVCall on are one word after or before their places, as reserved words show."""
    used = [
        bool(word & 1) and runs_from(inspection, table.placed, word & ~1)
        for word in table.words[:FIRST_INTERRUPT]
    ]
    if len(used) < FIRST_INTERRUPT or used[9]:
        return 0
    short = 12 in reserved_words(table.core.architecture)  # no DebugMonitor
    if used[10] and used[13] and not used[12] and not (used[11] and short):
        return -1
    after = used[12] and used[15] and (short or used[13])
    return 1 if after and not (used[10] or used[11] or used[14]) else 0


def word_span(table: VectorTable, index: int) -> Span:
    """Where word ``index`` of the table is in the image."""
    return Span(table.span.start + 4 * index, 4)


def words_span(table: VectorTable, indices: Iterable[int]) -> Span:
    """From the first to the last of these words."""
    places = sorted(indices)
    return Span.from_bounds(word_span(table, places[0]).start, word_span(table, places[-1]).end)


def ends_inside(inspection: Inspection, table: VectorTable) -> bool:
    """Whether the given build ends inside its table, so that its file was cut."""
    placement = inspection.placements.get(table.plan.name)
    ends = (
        [piece.span.end for piece in placement.pieces if piece.address < table.span.end] if placement else []
    )
    return bool(ends) and max(ends) < table.span.end


def stored_parts(inspection: Inspection, table: VectorTable) -> list[Span]:
    """What the build stores in its area: the pieces of its file if that is given, else its span in the image."""
    placement = inspection.placements.get(table.plan.name)
    area = inspection.layout.span_of(table.plan.stored_in)
    pieces = [piece.span for piece in placement.pieces] if placement else [table.placed.stored]
    return [piece.intersection(area) for piece in pieces]


def place_of(table: VectorTable, *indices: int) -> str:
    """Where these words (none: the whole table) are, for people: build, words, address in the image."""
    words = f"{named_words(indices)} of " if indices else ""
    moved = table.placed.vector_address != table.span.start
    seen = f" (for the core at {format_address(table.placed.vector_address)})" if moved else ""
    return f"build {table.plan.name}, {words}the vector table at {format_address(table.span.start)}{seen}"


def named_words(indices: Iterable[int]) -> str:
    """``word 11 (SVCall)``, or ``words 2..6, 11`` with runs joined."""
    places = sorted(indices)
    if len(places) == 1:
        return f"word {places[0]} ({word_name(places[0])})"
    runs = [
        [place for _, place in run] for _, run in groupby(enumerate(places), lambda each: each[1] - each[0])
    ]
    return "words " + ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}..{run[-1]}" for run in runs)


def unexplained(inspection: Inspection, table: VectorTable, indices: Iterable[int]) -> tuple[list[int], str]:
    """Those of ``indices`` that no stamp or checksum of the layout fills, and why that is not sure, if so."""
    written = inspection.patches
    left = [
        index
        for index in indices
        if not any(span.overlaps(word_span(table, index)) for span in written.known.values())
    ]
    names = ", ".join(place.name for place in written.unknown)
    needed = ", ".join(sorted({f"{place.build}=FILE" for place in written.unknown}))
    words = f"whether the layout fills it depends on where {names} is written: needs the ELF file, {needed}"
    reason = Reason(words, *needs_of_places(written.unknown))
    return left, reason if written.unknown and left else ""


def value_lines(inspection: Inspection, table: VectorTable, indices: Iterable[int]) -> tuple[str, ...]:
    """Each different value of these words with what is there and the words that hold it, long lists cut."""
    words: dict[int, list[int]] = {}
    for index in indices:
        words.setdefault(table.words[index], []).append(index)
    core = table.core.name
    lines = [
        f"{described_word(inspection, core, value)}: {named_words(places)}" for value, places in words.items()
    ]
    return lines_in_short(lines, "value")


def table_distance(inspection: Inspection, searched: Span | None = None) -> int:
    """Bytes by which all vector tables are higher than their places, the nearest such; 0 if they are not.

    They are searched for in their own memories, or in ``searched``.
    """
    plans = vector_builds(inspection.layout)
    distances: set[int] = set()
    for index, plan in enumerate(plans):
        declared = table_span(inspection.layout, plan).start
        within = searched or inspection.layout.memory_of(plan.stored_in).span
        found = {address - declared for address in likely_tables(inspection, plan, within)}
        distances = distances & found if index else found
    if len(plans) < 2 or 0 in distances or not distances:
        return 0
    return min(distances, key=lambda each: (abs(each), each))


def moved_words(inspection: Inspection) -> str:
    """What to look at first where all vector tables are at one distance from their places; else empty.

    Empty too where the image is where it belongs: then it is the layout that has other places of the tables.
    """
    nearest = table_distance(inspection)
    if not nearest or _in_place(inspection):
        return ""
    side = "higher" if nearest > 0 else "lower"
    return f"everything is 0x{abs(nearest):X} {side}: was the binary read at the right address (--at)?"


def _in_place(inspection: Inspection) -> bool:
    """Whether the record is where the layout has it, or a given build's first bytes are where it stores them."""
    if inspection.record:
        return True
    firsts = [piece for each in inspection.placements.values() for piece in each.pieces[:1]]
    heads = [(piece.address, bytes(piece.segment.data[:16])) for piece in firsts]
    return any(inspection.image.read(Span(address, len(head)), 0xFF) == head for address, head in heads)


def likely_tables(inspection: Inspection, plan: BuildPlan, within: Span | None = None) -> list[int]:
    """Plain addresses in the build's area (or ``within``) where what could be its vector table starts.

    That is: at a multiple of 128, an initial stack pointer in RAM that the core owns, then a reset handler
    with the Thumb bit inside the area (or the one it runs in).
    """
    layout = inspection.layout
    area = layout.span_of(plan.stored_in)
    runs = layout.span_of(plan.runs_in) if plan.runs_in else area
    searched = within or area
    found = []
    # Where nothing is held there is no stack pointer, or no handler.
    for part in _in_steps(inspection.image.held_in(searched)):
        held = part.intersection(searched)
        for address, pointer, (reset,) in possible_tables(inspection.bytes_of(held), held.start):
            located = locate(layout, reset, plan.core)
            if located and runs.holds(located.plain) and stack_area(inspection, plan.core, pointer):
                found.append(address)
    return found


def _in_steps(spans: Iterable[Span]) -> list[Span]:
    """The spans, to whole multiples of the smallest alignment of a table."""
    step = MIN_ALIGNMENT
    return merge(Span.from_bounds(align_down(each.start, step), align_up(each.end, step)) for each in spans)


FIELDS = 256
"""Bytes of a constant that are looked at for the address of a table."""


def boot_table(inspection: Inspection, boot: BootSymbol) -> Span:
    """The bytes in the image of a contract's ``boot_symbol``, a word of them at least; raises SymbolNotPlaced."""
    start = inspection.symbols(boot.build, boot.symbol)
    build = inspection.builds.get(boot.build)
    symbol = build.symbols.find(boot.symbol) if build and build.symbols else None
    return Span(start, max(4, min(symbol.size, FIELDS)) if symbol else 4)
