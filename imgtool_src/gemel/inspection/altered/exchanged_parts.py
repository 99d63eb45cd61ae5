"""Parts of an image that were exchanged, such as the banks of a flash: the record knows each build where it is now."""

from __future__ import annotations

from gemel.inspection.cores.vector_tables import likely_tables, table_span
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import vector_builds
from gemel.placement.placed import digests_of


def exchanged_parts(inspection: Inspection) -> str:
    """How far each build is from its place, where all are whole at places of no other build; else empty."""
    layout, moved = inspection.layout, dict[str, int]()
    plans = vector_builds(layout) if inspection.record else []
    for plan in plans:
        entry, start = inspection.entry_of(plan.name), table_span(layout, plan).start
        if entry is None or digests_of(layout, inspection.image, entry.stored).sha256 == entry.sha256:
            return ""
        for table in likely_tables(inspection, plan, layout.memory_of(plan.stored_in).span):
            there = entry.stored.moved(table - start)
            if any(table_span(layout, other).start == table for other in plans):
                continue  # vectors-of-own-build shows builds that were exchanged
            if digests_of(layout, inspection.image, there).sha256 == entry.sha256:
                moved[plan.name] = table - start
    if len(moved) < len(plans) or len(set(moved.values())) < 2:
        return ""
    return " and ".join(
        f"build {name} 0x{abs(distance):X} {'higher' if distance > 0 else 'lower'}"
        for name, distance in moved.items()
    )
