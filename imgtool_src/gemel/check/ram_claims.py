"""What memory a build takes at run time, by memory and in plain addresses.

A build claims RAM with the run addresses of its segments: initialised and cleared data, stack and heap
as far as its linker script gives them room, code that is copied.  Bytes that run where they are stored
claim nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from gemel.builds.build import Build, Segment
from gemel.check.windows import Part, parts_of, windows_of
from gemel.layout.model import BuildPlan, Layout, Memory
from gemel.spans import Span, merged


class Claim(NamedTuple):
    """A span that one segment takes in one memory (None: in no memory that its core sees)."""

    segment: Segment
    seen: Span
    memory: Memory | None
    plain: Span

    @property
    def in_ram(self) -> bool:
        """Whether the memory can be claimed at all."""
        return self.memory is not None and self.memory.kind == "ram"


def claims_of(layout: Layout, plan: BuildPlan, build: Build) -> Iterator[Claim]:
    """What ``build`` takes beside the flash it is stored in; device registers are left out.

    Claims outside RAM are those of a build that is linked for another device: cleared bytes in flash,
    run addresses where its core sees no memory.
    """
    windows = windows_of(layout, plan.core)
    for segment in build.segments:
        for part in parts_of(segment.run_span, windows):
            seen = _claimed(segment, part)
            if seen.size:
                yield Claim(segment, seen, part.memory, seen.moved(part.plain.start - part.seen.start))


def ram_of(layout: Layout, plan: BuildPlan, build: Build) -> list[Span]:
    """The RAM that ``build`` claims in plain addresses, merged."""
    return merged(claim.plain for claim in claims_of(layout, plan, build) if claim.in_ram)


def own_ram(layout: Layout, core: str) -> list[Span]:
    """The RAM that a core owns, and the areas that its copied builds run in, merged."""
    names = [*layout.cores[core].ram]
    names += [plan.runs_in for plan in layout.builds.values() if plan.core == core and plan.runs_in]
    return merged(layout.span_of(name) for name in names)


def shared_ram(layout: Layout) -> list[Span]:
    """The areas of purpose shared, merged."""
    return merged(layout.span_of(area.name) for area in layout.areas.values() if area.purpose == "shared")


def _claimed(segment: Segment, part: Part) -> Span:
    """The bytes of ``part`` that are a claim; empty if none."""
    kind = part.memory.kind if part.memory else None
    if kind == "ram":
        return part.seen
    if kind == "device":
        return Span(part.seen.start, 0)
    stored_in_place = kind is not None or segment.run_address == segment.load_address
    if not stored_in_place:
        return part.seen
    cleared = Span.from_bounds(segment.run_address + len(segment.data), segment.run_span.end)
    return part.seen.intersection(cleared)
