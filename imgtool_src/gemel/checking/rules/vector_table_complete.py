"""Rule ``vector-table-complete``: the whole vector table is stored, not only its beginning."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.findings.handler_words import (
    TableEnd,
    ends_before_interrupts,
    table_end,
    words_after_table,
)
from gemel.checking.findings.named_handlers import misplaced
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import named_words, place_of, stored_parts, table_span, word_span
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.m_profile.vector_tables import reserved_words
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, format_size, without


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build: whether its bytes cover every word of its vector table."""
    whole = table_span(inspection.layout, table.plan)
    missing = without([whole], stored_parts(inspection, table))
    unused = [word_span(table, index) for index in reserved_words(table.core.architecture)]
    later = words_after_table(inspection, table)
    end = table_end(inspection, table) if later else None
    if without(missing, unused):
        yield _finding(inspection, table, whole, missing)
    elif end and ends_before_interrupts(inspection, table):
        yield Holds(f"build {table.plan.name}: no word for an interrupt, of which its code enables none")
    elif end:
        yield _cut(inspection, table, end, later)
    else:
        yield Holds(f"build {table.plan.name}")


def _cut(inspection: Inspection, table: VectorTable, end: TableEnd, later: list[int]) -> Finding:
    have, need = 4 * end.words, table.span.size
    return Finding(
        f"the vector table of build {table.plan.name} has {end.words} of {16 + table.core.interrupts} words",
        (table.plan.name, table.core.name, table.plan.stored_in),
        where=place_of(table),
        found=f"{format_size(have)}, {end.by}",
        expected=f"{format_size(need)} for 16 + {table.core.interrupts} words",
        span=Span(table.span.start + have, need - have),
        next_step="write the table for all interrupts, or give the core in the layout as many interrupts as it has",
        lines=(f"{named_words(later)} hold what follows it in the build",),
        follows_from=(("reset-handler-in-code", table.plan.name), *_of_named(inspection, table)),
    )


def _of_named(inspection: Inspection, table: VectorTable) -> tuple[tuple[str, str], ...]:
    """A table that lacks a word in the middle is as much shorter at its end."""
    build = inspection.builds.get(table.plan.name)
    lacks = build and misplaced(table, build)
    return (("handlers-at-function-starts", table.plan.name),) if lacks else ()


def _finding(inspection: Inspection, table: VectorTable, whole: Span, missing: list[Span]) -> Finding:
    from gemel.inspection.altered.changed_bytes import cut_before

    words = [
        index for index in range(whole.size // 4) if any(_word(whole, index).overlaps(gap) for gap in missing)
    ]
    return Finding(
        f"build {table.plan.name} does not store its whole vector table",
        (table.plan.name, table.core.name, table.plan.stored_in),
        where=place_of(table, *words),
        found=f"nothing of the build at {', '.join(map(str, missing))}",
        expected=f"{format_size(whole.size)} for 16 + {table.core.interrupts} words, {whole}, in the build",
        span=missing[0],
        lines=() if table.plan.name in inspection.builds else cut_before(inspection, missing[0]),
        follows_from=(("build-ids-equal", table.plan.name),),
    )


def _word(whole: Span, index: int) -> Span:
    return Span(whole.start + 4 * index, 4)


RULE = Rule(
    name="vector-table-complete",
    severity="error",
    guards="device",
    checks="All words of each build's vector table that its core may take, of 16 and one for each interrupt, are "
    "inside the bytes that the build stores; a table of 16 alone will do where no code may enable an interrupt.",
    why="For an interrupt whose word is not in the build the core takes whatever is there as an address: "
    "erased flash, or the first bytes of the next area, which change with every new version of the other "
    "build.",
    remedy="Write the table for all interrupts of the device, with a default handler in the words that are "
    "not used; or give the core in the layout as many interrupts as are ever enabled.",
    source="Armv7-M Architecture Reference Manual, section B1.5.3, the vector table (from memory); common "
    "practice",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
