"""Rule ``vector-table-not-blank``: where a core looks for its vectors there are some."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.checking.rule import Rule
from gemel.inspection.altered.unchanged import builds_as_recorded
from gemel.inspection.cores.vector_tables import likely_tables, moved_words
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import Instead, vector_builds
from gemel.inspection.wording import concerned
from gemel.layout.model import BuildPlan
from gemel.m_profile.vector_tables import alignment_of
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address
from gemel.text.escaping import in_shell

AGAIN = "get the image again from where it was joined, or program the device again, whole"
"""What to do where the record shows that the build was changed after it was joined."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build in a code area; a core without one is not checked."""
    layout = inspection.layout
    plans = vector_builds(layout)
    for core in layout.cores:
        if not any(plan.core == core for plan in plans):
            yield NotChecked(f"core {core}", "the layout has no build for it in an area of purpose code")
    if alone := _alone(inspection, plans):
        yield alone
        return
    for plan in plans:
        place = Span(layout.table_start(plan), 8)
        if inspection.starts_blank(place.start):
            yield _finding(inspection, plan, place)
        elif plan.name in inspection.placed and (instead := inspection.instead_of_tables[plan.name]):
            yield _instead(inspection, plan, place, instead)
        else:
            yield Holds(f"build {plan.name}")


def _instead(inspection: Inspection, plan: BuildPlan, place: Span, instead: Instead) -> Finding:
    return Finding(
        f"where the vector table of build {plan.name} should be is {instead.what}",
        (plan.name, plan.core, plan.stored_in),
        where=f"build {plan.name}, vector table at {format_address(place.start)}",
        found=f"{format_address(inspection.word_at(place.start))} and "
        f"{format_address(inspection.word_at(place.start + 4))}",
        expected="an initial stack pointer and a reset handler",
        span=place,
        next_step=instead.next_step,
    )


def _finding(inspection: Inspection, plan: BuildPlan, place: Span) -> Finding:
    words = format_address(inspection.word_at(place.start))
    parties = (plan.name, plan.core, plan.stored_in)
    where = f"build {plan.name}, vector table at {format_address(place.start)}"
    moved = moved_words(inspection)
    from gemel.inspection.altered.changed_bytes import alias_causes, cut_before
    from gemel.inspection.moved_after_link import linked_elsewhere

    elsewhere = tuple(alias_causes(inspection, place))
    if plan.name not in inspection.placed:
        cut = cut_before(inspection, place)
        return Finding(
            f"core {plan.core} has no vector table: nothing of build {plan.name} is in the image",
            parties,
            where=where,
            found=f"{words}, as in all of area {plan.stored_in}",
            expected="the vector table of the build",
            span=place,
            next_step=moved or ("get the whole image again, or join it with this build" if cut else ""),
            lines=cut,
            follows_from=elsewhere,
        )
    instead = inspection.instead_of_tables[plan.name]
    others = likely_tables(inspection, plan) or ([instead.table] if instead and instead.table else [])
    what, hint, seen = f"the vector table of build {plan.name} is blank", "", ""
    if others:
        core, distance = inspection.layout.cores[plan.core], others[0] - place.start
        what = f"the vector table of build {plan.name} is not where core {plan.core} looks for it"
        seen = f"words of a vector table at {', '.join(map(format_address, others[:4]))}"
        hint = f"link build {plan.name} so that its vector table is at {format_address(place.start)}, "
        if distance % alignment_of(core.interrupts, core.vector_alignment):
            seen += f", not aligned for {core.interrupts} interrupts"
            hint += (
                f"where area {plan.stored_in} begins: ORIGIN of its region in the linker script"
                if inspection.placed[plan.name].stored.start == others[0] and not plan.vector_offset
                else "by placing the section of the vectors first in its region of the linker script: "
                "KEEP(*(.vectors))"
            )
        else:
            offset = plan.vector_offset + distance
            hint += f"or state in the layout where it is: vector_offset = {offset:#x} in [build.{plan.name}]"
        seen += "; "
    return Finding(
        what,
        parties,
        where=where,
        found=f"{seen}{words} in both words that core {plan.core} starts with",
        expected="an initial stack pointer and a reset handler",
        span=place,
        next_step=linked_elsewhere(inspection.builds.get(plan.name))
        or moved
        or hint
        or (AGAIN if _changed(inspection, plan.name) else ""),
        follows_from=(("code-runs-where-stored", plan.name), *elsewhere),
    )


def _alone(inspection: Inspection, plans: Sequence[BuildPlan]) -> Finding | None:
    """That one build was given as the image: no record, and all bytes in its areas; or just those of the build given.

    Where other builds are given and bytes differ, it is an image that was cut, which ``image-equals-builds`` says.
    """
    spans = list(inspection.image.spans())
    for plan in inspection.layout.builds.values() if spans and not inspection.record else ():
        is_build = _is_build(inspection, plan, spans)
        others = [
            each for each in plans if each is not plan and (is_build or each.name not in inspection.builds)
        ]
        own = inspection.layout.spans_of_build(plan)
        if others and all(any(area.covers(span) for area in own) for span in spans):
            names = [each.name for each in others]
            ends = max(span.last for span in spans) < min(
                inspection.layout.span_of(each.stored_in).start for each in others
            )
            instead = "or the beginning of an image" if ends and not is_build else "not an image"
            files = {name: build.file for name, build in inspection.builds.items()}
            files.setdefault(plan.name, inspection.file or "FILE")
            given = in_shell(*(f"{name}={files.get(name, 'FILE')}" for name in (plan.name, *names)))
            join = f"join it: gemel join {in_shell(inspection.read.name)} {given} -o IMAGE"
            return Finding(
                f"this {'is' if is_build else 'looks like'} build {plan.name} alone, {instead}: no record is in it, "
                f"and nothing of {' and '.join(names)}",
                concerned(*names, *(each.core for each in others)),
                where=inspection.file or "the image",
                found=f"bytes in areas of build {plan.name} only, {format_address(spans[0].start)}"
                f"..{format_address(spans[-1].last)}",
                expected="every build of the layout",
                next_step=join
                if is_build
                else f"if it is the build, {join}; if it is an image, get it again, whole",
                explains_all=True,
            )
    return None


def _is_build(inspection: Inspection, plan: BuildPlan, spans: Sequence[Span]) -> bool:
    """Whether the image has the bytes of a given build, and no others."""
    placement = inspection.placements.get(plan.name)
    pieces = placement.pieces if placement else ()
    same = all(inspection.bytes_of(piece.span) == piece.segment.data for piece in pieces)
    return (
        bool(pieces) and same and sum(span.size for span in spans) == sum(piece.span.size for piece in pieces)
    )


def _changed(inspection: Inspection, name: str) -> bool:
    """Whether the record shows that the image had other bytes of a build when it was joined."""
    entry = inspection.entry_of(name)
    return entry is not None and not builds_as_recorded(inspection, [entry])


RULE = Rule(
    name="vector-table-not-blank",
    severity="error",
    guards="device",
    checks="The first two words of each build's vector table, where the layout says it is, are not both "
    "erased and not both zero, and no build id note and no code is there instead.",
    why="The core takes its stack pointer and its first address from these words. From erased or zero words "
    "it starts with a stack and an address that are in no memory, faults at once, faults again in the fault "
    "handler it cannot find, and locks up.",
    remedy="Join the image with this build in it; link the build for the start of its area with the vector "
    "table first, or give vector_offset in the layout.",
    source="Armv7-M Architecture Reference Manual, section B1.5.5, reset behaviour (second-hand); Armv6-M "
    "and Armv8-M likewise (from memory)",
    absent="the layout has no core",
    check=check,
)
