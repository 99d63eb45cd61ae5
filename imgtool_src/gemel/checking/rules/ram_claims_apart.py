"""Rule ``ram-claims-apart``: no two cores' builds take the same byte of RAM, except where all share it."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from gemel.builds.build import Build
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import own_ram, ram_of, shared_ram
from gemel.inspection.wording import concerned, found_or_holds, needs_elf, sized, taken_lines
from gemel.layout.model import BuildPlan, Layout
from gemel.outcomes import Finding, NotChecked, Outcome, Reason
from gemel.spans import Span, shared_parts, without


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each two builds of different cores, one finding for each span that both take."""
    layout = inspection.layout
    for pair in combinations(layout.builds.values(), 2):
        if pair[0].core == pair[1].core:
            continue
        where = f"builds {pair[0].name} and {pair[1].name}"
        builds = [inspection.builds.get(plan.name) for plan in pair]
        reasons = [needs_elf(plan.name, build, "RAM use") for plan, build in zip(pair, builds, strict=True)]
        if any(reasons):
            yield NotChecked(where, Reason.joined(filter(None, reasons)))
            continue
        takers = [(plan, build) for plan, build in zip(pair, builds, strict=True) if build]
        claims = [without(ram_of(layout, plan, build), shared_ram(layout)) for plan, build in takers]
        yield from found_or_holds((_finding(layout, takers, span) for span in shared_parts(*claims)), where)


def _finding(layout: Layout, takers: list[tuple[BuildPlan, Build]], span: Span) -> Finding:
    areas = [name for name in layout.areas if layout.span_of(name).overlaps(span)]
    astray = [plan.name for plan, _ in takers if without([span], own_ram(layout, plan.core))]
    names = [plan.name for plan, _ in takers]
    cores = [plan.core for plan, _ in takers]
    shared = ", ".join(str(each) for each in shared_ram(layout)) or "none in this layout"
    return Finding(
        f"builds {names[0]} and {names[1]} both take {sized(span)} of RAM",
        concerned(*names, *cores, *areas),
        where=f"area {', area '.join(areas)}" if areas else "no area",
        found=", ".join(f"build {plan.name} ({build.file})" for plan, build in takers),
        expected=f"separate spans, or both inside a shared area: {shared}",
        span=span,
        lines=tuple(line for plan, build in takers for line in taken_lines(layout, plan, build, span)),
        follows_from=tuple(("ram-claims-in-own-areas", name) for name in astray)
        if len(astray) == 1 or not areas
        else (),
    )


RULE = Rule(
    name="ram-claims-apart",
    severity="error",
    guards="device",
    checks="No byte of RAM outside the shared areas is taken at run time by builds of two cores, for data, "
    "copied code, heap or stack, whatever address each core sees it at.",
    why="Each core's code writes to such a byte as if it were alone: a stack or a heap of one grows into "
    "variables of the other, and values change that nobody wrote. It often takes months until the two meet.",
    remedy="Give the two linker scripts separate RAM regions, those of the layout; put what both must see into a "
    "shared area.",
    source="System V gABI, chapter 7, program header, p_vaddr and p_memsz; common practice (sections and "
    "symbols of heap and stack; their usual names from memory)",
    absent="the layout has no builds of two cores",
    check=check,
)
