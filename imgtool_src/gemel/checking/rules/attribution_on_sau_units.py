"""Rule ``attribution-on-sau-units``: secure areas end where an attribution unit can end them."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import align_down, align_up, format_address

UNIT = 32
"""Bytes; the lower five bits of a region's base and limit are not stored."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each area whose security the layout states."""
    for area in inspection.layout.areas.values():
        if area.security is None:
            continue
        span = inspection.layout.span_of(area.name)
        if span.start % UNIT == 0 and span.end % UNIT == 0:
            yield Holds(f"area {area.name}")
            continue
        lower, upper = align_down(span.start, UNIT), align_up(span.end, UNIT)
        yield Finding(
            f"area {area.name} cannot be made {area.security} as it is",
            (area.name, area.memory),
            where=f"area {area.name}",
            found=f"{span}",
            expected=f"start and end at multiples of {UNIT} bytes; around it {format_address(lower)}"
            f"..{format_address(upper - 1)}",
            span=span,
        )


RULE = Rule(
    name="attribution-on-sau-units",
    severity="error",
    guards="device",
    checks="Each area whose security the layout states starts and ends at a multiple of 32 bytes.",
    why="The security attribution unit has a granularity of 32 bytes and rounds the rest: bytes of the neighbour "
    "become secure with the area, or the area's last bytes stay non-secure and readable.",
    remedy="Move the area's start and end to multiples of 32 bytes.",
    source="Armv8-M architecture reference manual, SAU_RBAR and SAU_RLAR: base and limit bits 31 to 5 "
    "(second-hand)",
    absent="the layout states the security of no area",
    check=check,
    only_with="security",
)
