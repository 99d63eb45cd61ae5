"""Rule ``shared-values-not-private``: no address of a core's own RAM is put into shared memory."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.contract.parties import parties
from gemel.inspection.contract.shared_starts import SharedStart, shared_starts
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import own_ram, shared_ram
from gemel.inspection.wording import as_one, concerned, found_or_holds, symbol_at
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Outcome
from gemel.spans import Span, align_up, format_address, without


@of_each_build("symbols", lambda each: parties(each.layout) if len(each.layout.builds) > 1 else [])
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build that brings initial data for a shared area."""
    starts = shared_starts(inspection.layout, plan, build)
    of_object: dict[str, list[Finding]] = {}
    for holder, found in (each for start in starts for each in _findings(inspection, plan, build, start)):
        of_object.setdefault(holder, []).append(found)
    if starts:
        yield from found_or_holds(
            (as_one(each, "address") for each in of_object.values()), f"build {plan.name}"
        )


def _findings(
    inspection: Inspection, plan: BuildPlan, build: Build, start: SharedStart
) -> Iterator[tuple[str, Finding]]:
    layout = inspection.layout
    private = without(own_ram(layout, plan.core), shared_ram(layout))
    data, run = start.segment.data, start.segment.run_address
    distance = run - start.span.start if not start.span.size else _seen_distance(inspection, plan, start)
    first = align_up(start.span.start + distance, 4)
    for address in range(first, min(start.span.end + distance, run + len(data)) - 3, 4):
        (value,) = struct.unpack_from("<I", data, address - run)
        located = locate(layout, value, plan.core) if value else None
        if located is None or not any(span.holds(located.plain) for span in private):
            continue
        pointed = symbol_at(build, value)
        if not pointed:
            continue
        holder = symbol_at(build, address)
        found = Finding(
            f"build {plan.name} puts the address of its own {pointed} into area {start.area.name}",
            concerned(plan.name, plan.core, start.area.name),
            where=f"build {plan.name} ({build.file}), {holder or 'initial value'} at {format_address(address)}",
            found=f"{format_address(value)} ({pointed}), in RAM of core {plan.core}",
            expected=f"a number, an offset, or an address inside {start.span}",
            span=Span(address - distance, 4),
        )
        yield holder.split(" + ")[0] or start.area.name, found


def _seen_distance(inspection: Inspection, plan: BuildPlan, start: SharedStart) -> int:
    """From a plain address of the shared part to the one that the core sees."""
    located = locate(inspection.layout, start.segment.run_address, plan.core)
    return start.segment.run_address - located.plain if located else 0


RULE = Rule(
    name="shared-values-not-private",
    severity="warning",
    guards="device",
    checks="No word that a build brings as an initial value for a shared area is the address of an object of "
    "that build in RAM of its own core.",
    why="The other core follows the address, and finds memory that is not its own to read, that it sees elsewhere, "
    "or that a memory protection unit keeps it from. What it writes there changes variables of the first core.",
    remedy="Put the object itself into the shared area, or share an offset into the area instead of an address.",
    source="common practice",
    absent="no build brings initial data for a shared area",
    check=check,
    of_elf=True,
)
