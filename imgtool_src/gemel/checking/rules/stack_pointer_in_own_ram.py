"""Rule ``stack-pointer-in-own-ram``: each core's initial stack grows into RAM of its own."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import place_of, word_span
from gemel.inspection.cores.views import area_as_seen, stack_area, whereabouts
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.ram.claims import owned_areas
from gemel.layout.addresses import locate
from gemel.layout.model import Layout
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build: its vector table's first word."""
    core, where = table.core.name, f"build {table.plan.name}"
    if not owned_areas(inspection.layout, core):
        yield NotChecked(where, f"the layout names no RAM of core {core}: ram = [...]")
    elif stack_area(inspection, core, table.words[0]):
        yield _set_by_code(inspection, table) or Holds(where)
    else:
        yield _finding(inspection, table)


def _set_by_code(inspection: Inspection, table: VectorTable) -> Finding | None:
    """The first stack pointer that start-up code sets, whatever devices answer, to RAM of another core.

    A primary may use that before it releases the other core: the last pointer of each kind counts.
    """
    layout, core, name = inspection.layout, table.core.name, table.plan.name
    build = inspection.builds.get(name)
    run = inspection.start_runs.get(name) if build and build.symbols else None
    stacks = run.stacks if run and build else ()
    if table.core.role == "primary":
        stacks = tuple({which: (at, which, pointer) for at, which, pointer in stacks}.values())
    for at, _, pointer in stacks:
        located = locate(layout, (pointer & ~3) - 4, core)
        others = [
            area
            for other in layout.cores
            for area in owned_areas(layout, other)
            if located and other != core and layout.span_of(area).holds(located.plain)
        ]
        if others and build and stack_area(inspection, core, pointer) is None:
            function = build.function_at(at)
            return Finding(
                f"code of build {name} sets a stack pointer to RAM of another core",
                (name, core, *others),
                where=f"build {name} ({build.file}), {format_address(at)}"
                + (f" ({function[0].name})" if function else ""),
                found=f"{format_address(pointer)}; the word below it is {whereabouts(inspection, core, pointer - 4)}",
                expected=f"inside or right after {' or '.join(owned_areas(layout, core))}",
                span=Span(at, 4),
                follows_from=(("vector-register-own-table", name),),
            )
    return None


def _finding(inspection: Inspection, table: VectorTable) -> Finding:
    layout, core = inspection.layout, table.core.name
    pointer = table.words[0]
    below = (pointer & ~3) - 4
    pushed = "no address below it"
    areas: list[str] = []
    if below >= 0:
        pushed = f"the first push goes to {format_address(below)}, {whereabouts(inspection, core, below)}"
        located = locate(layout, below, core)
        areas = [area for area in layout.areas if located and layout.span_of(area).holds(located.plain)]
    own = [f"{area_as_seen(layout, area, core)} (area {area})" for area in owned_areas(layout, core)]
    return Finding(
        f"the initial stack of core {core} is not in RAM that it owns",
        (table.plan.name, core, *areas),
        where=place_of(table, 0),
        found=f"{format_address(pointer)}: {pushed}",
        expected=f"inside or right after {' or '.join(own)}",
        span=word_span(table, 0),
        follows_from=(
            ("ram-claims-in-own-areas", table.plan.name),
            *((("reset-handler-in-code", table.plan.name),) if _is_anothers(layout, table) else ()),
        ),
    )


def _is_anothers(layout: Layout, table: VectorTable) -> bool:
    """Whether the table leads to code of another core, so that all of it is another's."""
    located = locate(layout, table.words[1] & ~1, table.core.name)
    others = [plan.stored_in for plan in layout.builds.values() if plan.core != table.core.name]
    return located is not None and any(layout.span_of(area).holds(located.plain) for area in others)


RULE = Rule(
    name="stack-pointer-in-own-ram",
    severity="error",
    guards="device",
    checks="The initial stack pointer of each build, word 0 of its vector table, is above the start and "
    "at most at the end of an area of RAM that its core owns, at the addresses at which that core sees it; "
    "start-up code leaves no stack pointer in another core's RAM.",
    why="The core pushes below this address from its first function on. If it is in no memory, the first push faults "
    "and the core locks up; in the other core's RAM it works until that core uses the same bytes, and then "
    "either of them returns to an address that the other one wrote.",
    remedy="Set the end of the stack in the build's linker script to the end of RAM that this core owns, as "
    "this core sees it; or correct ram of the core in the layout.",
    source="Armv7-M Architecture Reference Manual, section B1.5.5, reset behaviour (second-hand); AAPCS32, "
    "section 'The Stack' (full descending, so that the first word is below the pointer; from memory)",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
