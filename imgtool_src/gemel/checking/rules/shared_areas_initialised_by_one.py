"""Rule ``shared-areas-initialised-by-one``: no two cores bring initial data for the same shared bytes."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.build_evidence import builds_that_state
from gemel.checking.rule import Rule
from gemel.inspection.contract.parties import parties
from gemel.inspection.contract.shared_objects import shared_areas
from gemel.inspection.contract.shared_starts import SharedStart, by_several, shared_starts
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, segment_words, sized
from gemel.outcomes import Finding, Holds, NotChecked, Outcome


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each shared area, as far as the builds are given."""
    areas = shared_areas(inspection.layout)
    if len(inspection.layout.builds) < 2 or not areas:
        return
    starts: list[SharedStart] = []
    missing = False
    for stated in builds_that_state(inspection, "run addresses", parties(inspection.layout)):
        if isinstance(stated, NotChecked):
            missing = True
            yield stated
        else:
            starts += shared_starts(inspection.layout, *stated)
    pairs = by_several(starts)
    yield from (_finding(*pair) for pair in pairs)
    broken = {first.area.name for first, _ in pairs}
    yield from (Holds(f"area {area.name}") for area in areas if area.name not in broken and not missing)


def _finding(first: SharedStart, other: SharedStart) -> Finding:
    names = first.plan.name, other.plan.name
    span = first.span.intersection(other.span)
    return Finding(
        f"builds {' and '.join(names)} bring initial data for the same part of area {first.area.name}",
        concerned(first.area.name, *names, first.plan.core, other.plan.core),
        where=f"area {first.area.name}, {sized(span)}",
        found=f"initial data in {segment_words(other.build, other.segment)} too",
        expected=f"initial data in one build, such as {segment_words(first.build, first.segment)}",
        span=span,
        lines=tuple(f"build {each.plan.name} initialises {sized(each.span)}" for each in (first, other)),
    )


RULE = Rule(
    name="shared-areas-initialised-by-one",
    severity="error",
    guards="device",
    checks="No byte of a shared area gets an initial value from the builds of two cores, as the segments "
    "that are stored for it show.",
    why="The core that starts second copies its initial values over what the first one has put there since: "
    "messages vanish, a lock that is held becomes free, and whether it shows depends on the timing.",
    remedy="Let one core initialise what is shared, and give it in the other build a section that is neither "
    "loaded nor cleared (NOLOAD, outside bss).",
    source="common practice: shared memory is set up by one side, before the other one starts",
    absent="the layout has no shared area, or a single build",
    check=check,
    only_with="shared areas",
    of_elf=True,
)
