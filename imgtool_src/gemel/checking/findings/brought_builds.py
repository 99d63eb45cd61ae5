"""How the run of start-up code copies another core's build to where that runs: all of it, and from its place."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.inspection.cores.views import run_span
from gemel.inspection.inspection import Inspection
from gemel.inspection.start_up.started import BY_RUN, plain_at_reset, release_write
from gemel.inspection.wording import concerned, sized
from gemel.layout.addresses import locate, plain_span
from gemel.m_profile.execution.start_run import StartRun
from gemel.outcomes import Finding
from gemel.placement.placed import PlacedBuild
from gemel.placement.placing import Placement
from gemel.spans import Span, without

MIN_COPY = 32
"""Bytes of a build that are copied: fewer may be words that code passes to it or looks at."""


def brought_wrong(inspection: Inspection, placement: Placement, run: StartRun) -> Iterator[Finding]:
    """What is wrong with the copy of each build that runs in RAM of another core, as far as the run shows one."""
    layout, plan = inspection.layout, placement.plan
    for placed in inspection.placed.values():
        if layout.builds[placed.name].runs_in and placed.core != plan.core:
            place = run_span(inspection, placed)
            copies = [
                (source, goal)
                for each in (*run.copies, *run.later)
                if each.span.size >= MIN_COPY
                and (source := plain_at_reset(layout, placement, each.source or 0)) is not None
                and (goal := plain_span(layout, each.span, plan.core))
                and goal.overlaps(layout.span_of(layout.builds[placed.name].runs_in or ""))
            ]
            if found := _judged(inspection, placement, placed, place, copies):
                yield found


def _judged(
    inspection: Inspection,
    placement: Placement,
    placed: PlacedBuild,
    place: Span,
    copies: list[tuple[int, Span]],
) -> Finding | None:
    stored, plan = placed.stored, placement.plan
    right, wrong, elsewhere = [], [], []
    for source, goal in copies:
        if _is_the_same(inspection, source, stored, goal, place):
            right.append(goal)
        elif stored.holds(source):
            elsewhere.append((source, goal))
        elif goal.start == place.start:
            wrong.append((source, goal))
    step = ""
    if wrong and not right:
        source, goal = wrong[0]
        what, found = "from where it is not stored", f"from {sized(Span(source, goal.size))}, to {goal}"
        expected = f"from {stored}, where the image has it"
    elif elsewhere and not right:
        source, goal = elsewhere[0]
        what, found = "to another place than it runs at", f"from {Span(source, goal.size)} to {sized(goal)}"
        expected = f"to {place.moved(source - stored.start)}, where it runs"
    elif _is_released(inspection, placement, placed) and (
        left := _left_out(inspection, placed, place, right)
    ):
        what, found = "in part", f"not copied: {', '.join(map(sized, left[:3]))}"
        expected, step = (
            f"all of {sized(stored)}, to {place}",
            "take the length of the copy from the build, or of the area",
        )
    else:
        return None
    return Finding(
        f"start-up code of build {plan.name} copies build {placed.name} {what}",
        concerned(plan.name, plan.core, placed.name, placed.core),
        where=f"build {plan.name} ({placement.build.file}), {BY_RUN}",
        found=found,
        expected=expected,
        span=place,
        next_step=step or f"copy {stored} to {place}, before core {placed.core} is released",
        follows_from=(("copy-constants-agree", placed.name),),
    )


def _is_the_same(inspection: Inspection, source: int, stored: Span, goal: Span, place: Span) -> bool:
    """Whether what is copied to where the build runs is its bytes, from their place or from a second copy of them."""
    common = goal.intersection(place)
    first = common.moved(source - goal.start)
    second = common.moved(stored.start - place.start)
    return bool(common.size) and (
        first == second or inspection.bytes_of(first) == inspection.bytes_of(second)
    )


def _is_released(inspection: Inspection, placement: Placement, placed: PlacedBuild) -> bool:
    """Whether the run comes to the release of the core: all that is copied before is seen then."""
    release, run = (
        inspection.layout.cores[placed.core].release,
        inspection.start_runs.get(placement.plan.name),
    )
    write = release_write(release) if release else None
    return run is not None and any(watched == write for watched, _, _ in run.filled)


def _left_out(inspection: Inspection, placed: PlacedBuild, place: Span, right: list[Span]) -> list[Span]:
    """What of a build that is copied from its start on is not, zeros and padding at its end put aside."""
    if not any(each.start == place.start for each in right):
        return []
    given = inspection.placements.get(placed.name)
    ends = [piece.span.end for piece in given.pieces] if given else []
    end = min(placed.stored.end, max(ends, default=placed.stored.end))
    distance = placed.stored.start - place.start
    fetched = [each.moved(-distance) for each in _fetched(inspection, placed)]
    missing = without([Span(place.start, end - placed.stored.start)], [*right, *fetched])
    return [each for each in missing if any(inspection.bytes_of(each.moved(distance)).strip(b"\0\xff"))]


def _fetched(inspection: Inspection, placed: PlacedBuild) -> list[Span]:
    """What of a build its own start-up code copies from where it is stored: nobody else has to."""
    run = inspection.start_runs.get(placed.name)
    read = [
        (locate(inspection.layout, source or 0, placed.core), span.size)
        for source, span in (run.copies if run else ())
    ]
    spans = [Span(each.plain, size) for each, size in read if each and each.memory.holds_image]
    return [common for each in spans if (common := each.intersection(placed.stored)).size]
