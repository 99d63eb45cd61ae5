"""Rule ``embedded-build-current``: the primary carries other builds as they are now."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.build_ids import id_words, known_id
from gemel.inspection.embedded_copies import (
    Copy,
    HeldCopy,
    copies_of,
    copy_in_place,
    held_by,
    held_in,
    ids_in,
)
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, needs_build, needs_elf, place_words, said_of
from gemel.layout.model import BuildPlan
from gemel.outcomes import NOT_FOUND, Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address

MAX_NOTES = 64
"""Build id notes inside one build that are looked at."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each copy found in the primary's builds; one for each such build without a copy."""
    layout = inspection.layout
    if len(layout.builds) < 2:
        return
    for plan in layout.builds_of(layout.primary().name):
        holder = held_by(inspection, plan.name)
        if not holder:
            yield NotChecked(f"build {plan.name}", NOT_FOUND)
            continue
        outcomes = [*_in_place(inspection, plan), *_inside(inspection, plan, holder)]
        yield from outcomes or [_nothing_found(inspection, plan)]


def _nothing_found(inspection: Inspection, plan: BuildPlan) -> Outcome:
    """The given builds were looked for by their vectors and build ids, others by build ids alone."""
    for name in inspection.layout.builds:
        if name not in inspection.builds and name != plan.name and not known_id(inspection, name):
            searched = "only build ids were looked for inside it, and none was found"
            return NotChecked(f"build {plan.name}", said_of(searched, needs_build(name)))
    return Holds(f"build {plan.name}, which holds no copy of another build")


def _in_place(inspection: Inspection, plan: BuildPlan) -> Iterator[Outcome]:
    """Copies at the very place where the other build is stored."""
    placement = inspection.placements.get(plan.name)
    if placement is None:
        return
    for other in inspection.layout.builds.values():
        if inspection.layout.cores[other.core].role == "primary":
            continue
        if held := held_in(placement, inspection.layout.spans_of_build(other)):
            copy = copy_in_place(inspection, inspection.placements.get(other.name), held)
            yield _copy_outcome(inspection, plan, other, copy, ", at its place")


def _inside(inspection: Inspection, plan: BuildPlan, holder: list[HeldCopy]) -> Iterator[Outcome]:
    """Copies anywhere else, as arrays in the primary's code have them."""
    seen: list[Span] = []
    for name, placement in inspection.placements.items():
        if name == plan.name:
            continue
        for copy in copies_of(inspection, placement, holder):
            seen.append(copy.span)
            yield _copy_outcome(inspection, plan, placement.plan, copy, "")
    yield from _by_id(inspection, plan, ids_in(holder, seen))


def _copy_outcome(inspection: Inspection, plan: BuildPlan, other: BuildPlan, copy: Copy, how: str) -> Outcome:
    """Whether a copy is current: by its bytes if the other build is given, else by its build id."""
    where = f"copy of build {other.name} inside build {plan.name}{how}, {copy.span}"
    if copy.deviation:
        return _stale(inspection, plan, other, copy)
    if other.name in inspection.placements:
        return Holds(where)
    known = known_id(inspection, other.name)
    if known is None or not copy.build_ids:
        return NotChecked(where, needs_build(other.name))
    return Holds(where) if known in copy.build_ids else _stale(inspection, plan, other, copy)


def _by_id(inspection: Inspection, plan: BuildPlan, notes: list[tuple[int, bytes]]) -> Iterator[Outcome]:
    """Copies of which only the build id note is known."""
    own = known_id(inspection, plan.name)
    others = [name for name in inspection.layout.builds if name != plan.name]
    ids = {name: known_id(inspection, name) for name in others}
    strange = []
    for address, build_id in notes[:MAX_NOTES]:
        if build_id == own:
            continue
        if copied := next((name for name in others if ids[name] == build_id), None):
            yield Holds(f"build id of {copied} inside build {plan.name}, at {format_address(address)}")
        else:
            strange.append((address, build_id))
    if len(notes) > MAX_NOTES:
        words = f"only the first {MAX_NOTES} of {len(notes):,} build id notes were looked at"
        yield NotChecked(f"build {plan.name}", f"{words}: needs a build that holds fewer")
    build = inspection.builds.get(plan.name)
    if own is None and (build is None or build.kind != "elf"):
        strange = strange[1:]  # nothing shows its own id, so one of them may well be it
    unknown = [name for name in others if ids[name] is None]
    for address, build_id in strange:
        where = f"build id {build_id.hex()} inside build {plan.name}, at {format_address(address)}"
        if own is None or unknown:
            lacking = next(iter([*unknown, plan.name]))
            yield NotChecked(where, needs_elf(lacking, inspection.builds.get(lacking), "build id"))
        else:
            yield _foreign_id(plan, address, build_id, {name: ids[name] or b"" for name in others})


def _stale(inspection: Inspection, plan: BuildPlan, other: BuildPlan, copy: Copy) -> Finding:
    build = inspection.builds.get(other.name)
    known = known_id(inspection, other.name)
    found, expected = f"build id {id_words(copy.build_ids)}", f"build id {id_words([known] if known else [])}"
    where = f"build {plan.name}, copy in {copy.span}"
    lines: tuple[str, ...] = ()
    if copy.deviation:
        where += f", first difference at {format_address(copy.deviation.first)}"
        found = f"{f'0x{copy.found[0]:02X}' if copy.found else 'the end of the copy'}, {found}"
        expected = f"0x{copy.expected[0]:02X}, {expected}"
        differ = counted(copy.deviation.count, "byte")
        lines = (f"{differ} of the copy not as expected, in {place_words(copy.deviation.span)}",)
    return Finding(
        f"the copy of build {other.name} inside build {plan.name} is not the {other.name} of this image",
        concerned(plan.name, other.name, plan.core, other.core, plan.stored_in, other.stored_in),
        where=where,
        found=found,
        expected=f"{expected}, as {f'in {build.file}' if build else 'the record says'}",
        span=copy.deviation.span if copy.deviation else copy.span,
        next_step=f"build {plan.name} again with the new {other.name}, "
        f"or give the {other.name} that it was built with",
        lines=lines,
    )


def _foreign_id(plan: BuildPlan, address: int, build_id: bytes, ids: dict[str, bytes]) -> Finding:
    return Finding(
        f"build {plan.name} holds a build id that is neither its own nor that of another build of this image",
        concerned(plan.name, plan.core, plan.stored_in, *ids),
        where=f"build {plan.name}, note at {format_address(address)}",
        found=build_id.hex(),
        expected=", ".join(f"{each.hex()} of {name}" for name, each in ids.items()),
        span=Span(address, 16 + len(build_id)),
        next_step=f"build {plan.name} again after what it carries; if this is a library's note, waive the rule",
    )


RULE = Rule(
    name="embedded-build-current",
    severity="error",
    guards="device",
    checks="A copy of another build that the primary's build carries, found at that build's place, by its "
    "vector table or by its build id, equals the given build or has its build id.",
    why="A primary that was not rebuilt after the secondary carries an old secondary. The device starts that one, "
    "or refuses the update since nothing seems to have changed, and the two cores' code no longer fits.",
    remedy="Build the secondary first and the primary with it, in one step, and give both from that step.",
    source='System V gABI, section "Note Section", for the build id note; common practice',
    absent="the layout has one build only",
    check=check,
)
