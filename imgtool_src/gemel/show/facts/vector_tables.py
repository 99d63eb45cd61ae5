"""The vector tables of the builds, with equal neighbours reported as one."""

from __future__ import annotations

from gemel.inspection.inspection import Inspection, VectorTable
from gemel.layout.addresses import locate, seen_by
from gemel.m_profile.vector_tables import FIRST_INTERRUPT, RESERVED, group_name, word_name_for
from gemel.show.facts.contents import VectorFacts, VectorGroup
from gemel.spans import Address, Span

ERASED = 0xFFFF_FFFF


def vector_facts(inspection: Inspection, name: str) -> VectorFacts | None:
    """The vector table of one build as the image holds it; None if nothing of the build was found."""
    table = inspection.vector_table(name)
    if table is None:
        return None
    groups = tuple(
        _group(inspection, table, first, last, _handler(inspection, name, table.words[first]))
        for first, last in _runs(table)
    )
    reserved = [index for index in range(len(table.words)) if _name(table, index) == RESERVED]
    unused = [
        index for index, word in enumerate(table.words) if index not in reserved and word in (0, ERASED)
    ]
    return VectorFacts(
        build=name,
        core=table.core.name,
        span=Span(table.span.start, 4 * len(table.words)),
        seen_at=Address(table.placed.vector_address),
        entries=len(table.words),
        unused=len(unused),
        groups=groups,
    )


def _name(table: VectorTable, index: int) -> str:
    return word_name_for(index, table.core.architecture, table.core.extensions)


def _handler(inspection: Inspection, name: str, word: int) -> str | None:
    """The name of the function that begins where a word leads to."""
    build = inspection.builds.get(name)
    found = build.function_at(word) if build else None
    return found[0].name if found and not found[1] else None


def _runs(table: VectorTable) -> list[tuple[int, int]]:
    """First and last entry of each run of equal words, cut at entries 1, 2, 16 and around reserved ones."""
    kinds = [(word, _name(table, index) == RESERVED) for index, word in enumerate(table.words)]
    runs: list[tuple[int, int]] = []
    for index in range(len(table.words)):
        if runs and index not in (1, 2, FIRST_INTERRUPT) and kinds[index] == kinds[runs[-1][0]]:
            runs[-1] = (runs[-1][0], index)
        else:
            runs.append((index, index))
    return runs


def _group(
    inspection: Inspection, table: VectorTable, first: int, last: int, symbol: str | None
) -> VectorGroup:
    core, word = table.core, table.words[first]
    name = group_name(first, last, core.architecture, core.extensions)
    if first == 0:
        used = word not in (0, ERASED)
        return VectorGroup(0, 0, name, Address(word), None, used, _stack_note(inspection, table))
    if name == RESERVED:
        note = "" if word == 0 else "erased" if word == ERASED else "not zero"
        return VectorGroup(first, last, name, Address(word), None, False, note)
    if word in (0, ERASED):
        note = "unused" if word == 0 else "erased"
        return VectorGroup(first, last, name, Address(word), None, False, note)
    return VectorGroup(first, last, name, Address(word), symbol, True, _handler_note(inspection, table, word))


def _handler_note(inspection: Inspection, table: VectorTable, word: int) -> str:
    """What is odd about a handler: no Thumb bit, or not in its own build's code."""
    notes = [] if word & 1 else ["NO THUMB BIT"]
    run = Span(table.placed.run_start, table.placed.stored.size)
    if not run.holds(word & ~1):
        home = _build_that_runs(inspection, table, word & ~1)
        notes.append(f"IN BUILD {home}" if home else "OUTSIDE ITS BUILD")
    return ", ".join(notes)


def _build_that_runs(inspection: Inspection, table: VectorTable, address: int) -> str | None:
    """The build whose code the table's core would find at ``address``; None: none."""
    for build in inspection.placed.values():
        located = locate(inspection.layout, build.run_start, build.core)
        start = seen_by(inspection.layout, located.plain, table.core.name) if located else build.run_start
        if Span(start, build.stored.size).holds(address):
            return build.name
    return None


def _stack_note(inspection: Inspection, table: VectorTable) -> str:
    """Where the initial stack pointer points: usually to the end of an area of RAM."""
    word = table.words[0]
    below = locate(inspection.layout, word - 1, table.core.name) if word else None
    if below is None:
        return "in no memory"
    for area in inspection.layout.areas.values():
        span = inspection.layout.span_of(area.name)
        if span.holds(below.plain):
            return f"end of {area.name}" if span.last == below.plain else f"in {area.name}"
    return f"in {below.memory.name}, outside every area"
