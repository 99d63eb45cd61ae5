"""Down to where a core's stack may grow."""

from __future__ import annotations

from gemel.builds.build import Build
from gemel.inspection.cores.views import area_as_seen, stack_area
from gemel.inspection.inspection import Inspection
from gemel.placement.placed import has_vectors


def stack_limit_of(inspection: Inspection, core: str) -> int | None:
    """The lowest address (as the core sees it) that belongs to its initial stack; None if nothing shows.

    The layout's ``stack_size`` goes first.  Else the build shows: what it sets aside for nothing but the
    stack, and otherwise the end of its highest variable below the initial stack pointer.
    """
    pointer = _initial_pointer(inspection, core)
    if pointer is None:
        return None
    described = inspection.layout.rehearsal
    if described and core in described.stack_sizes:
        return max(0, pointer - described.stack_sizes[core])
    area = stack_area(inspection, core, pointer)
    builds = [
        placement.build
        for name, placement in inspection.placements.items()
        if inspection.layout.builds[name].core == core and placement.build.symbols
    ]
    if area is None or not builds:
        return None
    return max(
        _limit_by_build(build, area_as_seen(inspection.layout, area, core).start, pointer) for build in builds
    )


def _initial_pointer(inspection: Inspection, core: str) -> int | None:
    for name, plan in inspection.layout.builds.items():
        if plan.core == core and has_vectors(inspection.layout, name):
            table = inspection.vector_table(name)
            if table:
                return table.words[0] & ~3
    return None


def _limit_by_build(build: Build, lowest: int, pointer: int) -> int:
    limit = lowest
    variables = []
    for symbol in build.all_symbols:
        if symbol.kind == "object" and symbol.defined and symbol.size and lowest <= symbol.address < pointer:
            variables.append(symbol.span)
    for span in variables:
        # A stack that is a variable itself begins where that begins.
        limit = max(limit, span.start if span.end >= pointer else span.end)
    for span in (span for segment in build.segments for span in segment.taken_unstored):
        alone = not any(span.overlaps(each) for each in variables)
        if alone and span.start < pointer <= span.end:
            limit = max(limit, span.start)
    return limit
