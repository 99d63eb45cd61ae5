"""Rule ``start-copies-into-own-ram``: start-up code copies over nothing that is shared or another core's."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.start_blocks import block_outcomes
from gemel.checking.findings.start_reach import copied_build_at, misplaced, not_stored
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.start_up.tables import StartEntry
from gemel.outcomes import Finding, Outcome, Reason
from gemel.placement.placing import Placement
from gemel.spans import without


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build whose symbols show what its start-up code copies."""
    yield from block_outcomes(inspection, _findings, "copies")


def _findings(inspection: Inspection, placement: Placement, entry: StartEntry) -> Iterator[Finding]:
    # What a build stores for memory of others is reported by ram-claims-in-own-areas, and for a shared area
    # by shared-areas-initialised-by-one.
    spans = not_stored(placement, entry)
    brought = copied_build_at(inspection, placement, entry) if spans else None
    if brought:
        spans = without(spans, [brought.area])
    yield from misplaced(inspection, placement, entry, spans, "copies over")


RULE = Rule(
    name="start-copies-into-own-ram",
    severity="error",
    guards="device",
    checks="Each block that start-up code copies, by the build's copy table or the usual symbols at its "
    "ends, goes to RAM that its core owns, or to the area that a copied build runs in, and in shared areas "
    "over nothing but data that the build itself stores for them.",
    why="A block whose end or size is wrong is copied on over whatever is after it. Where that is the "
    "RAM of another core or what the cores share, a core that starts late overwrites what the other one "
    "has been working with, and the fault shows in a build that nobody has touched.",
    remedy="Take start, end and size of each block from its section in the linker script: ADDR and SIZEOF "
    "of the same section, in the unit that the start-up code counts in.",
    source="common practice (tables and symbols of start-up code, from memory)",
    absent=Reason("no build has symbols that show what its start-up code copies"),
    check=check,
    of_elf=True,
)
