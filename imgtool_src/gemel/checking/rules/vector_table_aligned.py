"""Rule ``vector-table-aligned``: the vector table register can hold the table's address."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import place_of, table_span
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.m_profile.vector_tables import alignment_of
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, align_down, format_address, format_size
from gemel.text.escaping import in_toml

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build: the address of its vector table as its core sees it."""
    core = table.core
    needed = alignment_of(core.interrupts, core.vector_alignment)
    address = table.placed.vector_address
    if address % needed == 0:
        yield Holds(f"build {table.plan.name}")
        return
    given = " (vector_alignment in the layout)" if needed == core.vector_alignment else ""
    lower = align_down(address, needed)
    before = _before(inspection, table)
    yield Finding(
        f"the vector table of build {table.plan.name} is not aligned for {core.interrupts} interrupts",
        (table.plan.name, core.name),
        where=place_of(table),
        found=f"{format_address(address)}, {format_size(address - lower)} above a multiple of {needed}",
        expected=f"a multiple of {format_size(needed)}{given}, such as {format_address(lower)} "
        f"or {format_address(lower + needed)}",
        span=table_span(inspection.layout, table.plan),
        lines=tuple(f"section {in_toml(each.name)}, {each.span}, is before it" for each in before),
        next_step=_moving(before[0]) if before else "",
    )


def _moving(section: Section) -> str:
    from gemel.inspection.before_vectors import line_for

    line = f"{line_for(section)} (FLASH: the region of the vectors)"
    return f"write in the linker script, after the section with the vectors: {line}"


def _before(inspection: Inspection, table: VectorTable) -> list[Section]:
    """What the build stores between the start of its area and its table: a note or header that moved the table."""
    from gemel.inspection.before_vectors import sections_before

    build = inspection.builds.get(table.plan.name)
    size = table.span.start - inspection.layout.span_of(table.plan.stored_in).start
    if build is None or not 0 < size <= table.placed.vector_address:
        return []
    return sections_before(build, Span(table.placed.vector_address - size, size))


RULE = Rule(
    name="vector-table-aligned",
    severity="error",
    guards="device",
    checks="The address at which each build's core finds its vector table is a multiple of the table's size "
    "rounded up to a power of two, of at least 128 bytes, and of what the layout demands (vector_alignment).",
    why="The core does not add a word's offset to the table's address, it combines the bits of the two. With a "
    "table that is not aligned it reads words from another place: the program runs until the first interrupt "
    "comes, and then starts a handler of something else, or resets at once.",
    remedy="Align the vector table in the linker script (ALIGN), or move the area or vector_offset in the "
    "layout. Devices with fewer bits in the register say so as vector_alignment; Armv6-M ones with bits "
    "31:8 need 256.",
    source="Arm DUI 0471, section 'Vector Table Offset Register': at least 32 words, otherwise the next "
    "power of two (second-hand); Armv7-M Architecture Reference Manual, section B3.2.5 (from memory)",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
