"""Rule ``start-releases-secondary``: start-up code as it runs releases a secondary so that it can start."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.releases_by_code import judged_releases
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding, Outcome


def check(inspection: Inspection) -> Iterator[Outcome]:
    """What is certain of what release-value-agrees looks at: one outcome for each build and core."""
    for outcome, is_certain in judged_releases(inspection):
        if is_certain or not isinstance(outcome, Finding):
            yield outcome


RULE = Rule(
    name="start-releases-secondary",
    severity="error",
    guards="device",
    checks="Where start-up code of the primary as it runs releases a secondary, and the layout has no boot ROM, it "
    "gives it its vector table first, no other place in flash and no device, and one of all stores to the control "
    "register writes what the layout says releases that core.",
    why="The run shows that the device does it at every start: the secondary stays in reset, or it takes a stack "
    "pointer and an address from words that are not vectors, and locks up without a message.",
    remedy="Correct the order, the address or the value in the code, or the registers, release_mask, release_value or "
    "the key in the layout.",
    source="common practice",
    absent="no secondary has a release",
    check=check,
)
