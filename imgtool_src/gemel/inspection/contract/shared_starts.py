"""Shared areas that builds bring initial data for."""

from __future__ import annotations

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.inspection.contract.shared_objects import shared_areas
from gemel.inspection.ram.windows import parts_of, windows_of
from gemel.layout.model import Area, BuildPlan, Layout
from gemel.spans import Span
from gemel.structs import NamedTuple


class SharedStart(NamedTuple):
    """A shared area, the build that has stored bytes for it, the segment, and where, in plain addresses."""

    area: Area
    plan: BuildPlan
    build: Build
    segment: Segment
    span: Span


def shared_starts(layout: Layout, plan: BuildPlan, build: Build) -> list[SharedStart]:
    """The parts of shared areas that stored bytes of a build are meant for when it runs."""
    return [
        SharedStart(area, plan, build, segment, span)
        for segment in build.stored
        for part in parts_of(segment.stored_run, windows_of(layout, plan.core))
        if part.memory is not None
        for area in shared_areas(layout)
        if (span := layout.span_of(area.name).intersection(part.plain)).size
    ]


def by_several(starts: list[SharedStart]) -> list[tuple[SharedStart, SharedStart]]:
    """Pairs of two cores for the same bytes; of each two builds and area the first."""
    pairs: dict[tuple[str, str, str], tuple[SharedStart, SharedStart]] = {}
    for index, first in enumerate(starts):
        for other in starts[index + 1 :]:
            if first.plan.core != other.plan.core and first.span.overlaps(other.span):
                key = first.area.name, first.plan.name, other.plan.name
                pairs.setdefault(key, (first, other))
    return list(pairs.values())
