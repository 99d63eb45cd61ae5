"""Rule ``shared-values-not-private``: no address of a core's own RAM is put into shared memory."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.errors import BuildError
from gemel.inspection.contract.parties import Missing, debug_types, parties
from gemel.inspection.contract.shared_objects import has_pointer_at
from gemel.inspection.contract.shared_starts import SharedStart, shared_starts
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import own_ram, shared_ram
from gemel.inspection.wording import as_one, concerned, found_or_holds, symbol_at
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, NotChecked, Outcome
from gemel.spans import Span, format_address, without


@of_each_build("symbols", lambda each: parties(each.layout) if len(each.layout.builds) > 1 else [])
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build that brings initial data for a shared area."""
    starts = shared_starts(inspection.layout, plan, build)
    of_object: dict[str, list[Finding]] = {}
    unknown: dict[str, NotChecked] = {}
    for holder, found in (each for start in starts for each in _addresses(inspection, plan, build, start)):
        if isinstance(found, NotChecked):
            unknown.setdefault(holder, found)
        else:
            of_object.setdefault(holder, []).append(found)
    yield from unknown.values()
    if of_object or (starts and not unknown):
        yield from found_or_holds(
            (as_one(each, "address") for each in of_object.values()), f"build {plan.name}"
        )


def _addresses(
    inspection: Inspection, plan: BuildPlan, build: Build, start: SharedStart
) -> Iterator[tuple[str, Finding | NotChecked]]:
    """Each address of own RAM and the object that it is in; what may be a flag where types do not show it."""
    layout = inspection.layout
    private = without(own_ram(layout, plan.core), shared_ram(layout))
    data, run = start.segment.data, start.segment.run_address
    distance = run - start.span.start if not start.span.size else _seen_distance(inspection, plan, start)
    for address in range(start.span.start + distance, min(start.span.end + distance, run + len(data)) - 3):
        (value,) = struct.unpack_from("<I", data, address - run)
        located = locate(layout, value, plan.core) if value else None
        if located is None or not any(span.holds(located.plain) for span in private):
            continue
        pointed = symbol_at(build, value)
        if not pointed:
            continue
        holder = symbol_at(build, address)
        name, _, offset = holder.partition(" + ")
        where = f"build {plan.name} ({build.file}), {holder or 'initial value'} at {format_address(address)}"
        is_pointer = _is_pointer(inspection, plan, name, int(offset or "0", 16))
        if address % 4 and not is_pointer:
            continue
        if is_pointer is None and value.bit_count() == 1:
            what = f"{format_address(value)} is a number or the address of {pointed}"
            yield name, NotChecked(where, f"{what}: no debug information describes what holds it")
        elif is_pointer is not False:
            yield (
                name or start.area.name,
                Finding(
                    f"build {plan.name} puts the address of its own {pointed} into area {start.area.name}",
                    concerned(plan.name, plan.core, start.area.name),
                    where=where,
                    found=f"{format_address(value)} ({pointed}), in RAM of core {plan.core}",
                    expected=f"a number, an offset, or an address inside {start.span}",
                    span=Span(address - distance, 4),
                ),
            )


def _is_pointer(inspection: Inspection, plan: BuildPlan, name: str, offset: int) -> bool | None:
    """Whether an object has a pointer at an offset; None if no debug information describes the object."""
    types = debug_types(inspection, plan)
    if isinstance(types, Missing):
        return None
    try:
        references = types.variables(name) if name else ()
        return has_pointer_at(types, references, offset) if references else None
    except BuildError:
        return None


def _seen_distance(inspection: Inspection, plan: BuildPlan, start: SharedStart) -> int:
    """From a plain address of the shared part to the one that the core sees."""
    located = locate(inspection.layout, start.segment.run_address, plan.core)
    return start.segment.run_address - located.plain if located else 0


RULE = Rule(
    name="shared-values-not-private",
    severity="warning",
    guards="device",
    checks="No pointer, or word of unknown type, that a build brings as an initial value for a shared area is the "
    "address of an object of that build in RAM of its own core.",
    why="The other core follows the address, and finds memory that is not its own to read, that it sees elsewhere, "
    "or that a memory protection unit keeps it from. What it writes there changes variables of the first core.",
    remedy="Put the object itself into the shared area, or share an offset into the area instead of an address.",
    source="common practice",
    absent="no build brings initial data for a shared area",
    check=check,
    of_elf=True,
)
