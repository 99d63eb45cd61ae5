"""Rule ``primary-vectors-at-reset``: the primary finds its vectors where it looks for them at reset."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import table_span
from gemel.inspection.cores.views import whereabouts
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import vector_builds
from gemel.layout.addresses import locate
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome: the address that the primary reads at reset, aliases of memory counted."""
    layout = inspection.layout
    primary = layout.primary()
    plans = sorted(
        (p for p in vector_builds(layout) if p.core == primary.name),
        key=lambda p: table_span(layout, p).start,
    )
    if not plans:
        yield NotChecked(f"core {primary.name}", "the layout has no build for it in an area of purpose code")
        return
    fetched = primary.reset_vectors
    said = "reset_vectors in the layout"
    if fetched is None:
        fetched = min(layout.span_of(plan.stored_in).start for plan in plans)
        said = "start of its lowest code area; the layout names no reset_vectors"
    located = locate(layout, fetched, primary.name)
    if located and any(located.plain == table_span(layout, plan).start for plan in plans):
        yield Holds(f"core {primary.name}")
    elif located and located.memory.kind == "rom" and not inspection.image.holds(Span(located.plain, 8)):
        reason = f"it starts in rom {located.memory.name}, of which the image does not hold these bytes"
        yield NotChecked(f"core {primary.name}", reason)
    else:
        tables = [f"{format_address(table_span(layout, plan).start)} (build {plan.name})" for plan in plans]
        seen = whereabouts(inspection, primary.name, fetched)
        yield Finding(
            f"core {primary.name} does not find the vector table of its build at reset",
            (primary.name, *(plan.name for plan in plans)),
            where=f"core {primary.name}, vectors fetched at {format_address(fetched)} ({said})",
            found=f"the address fetched from is {seen}; the vector table is at {' or '.join(tables)}",
            expected=f"the vector table at {format_address(fetched)}",
            span=Span(located.plain if located else fetched, 8),
        )


RULE = Rule(
    name="primary-vectors-at-reset",
    severity="error",
    guards="device",
    checks="The address at which the primary fetches its vectors at reset, an alias of flash or not, is "
    "that of the vector table of one of its builds.",
    why="At reset the primary reads its stack pointer and first address from this place, fixed by the "
    "device or its option bytes. If its vector table is elsewhere, it starts with two words that mean "
    "something else, and no code of the product ever runs.",
    remedy="Put the primary's first build at the place of the reset vectors, or state where the device fetches them, "
    "as reset_vectors of the core; if that is an alias of flash, list it in aliases of the memory.",
    source="Armv7-M Architecture Reference Manual, section B1.5.5, reset behaviour (second-hand); where the "
    "table is at reset is the device's choice (common practice)",
    absent="the layout has no primary core",
    check=check,
)
