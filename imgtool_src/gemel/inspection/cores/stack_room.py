"""What is below an initial stack pointer: data of the own build, of others, and where the room ends.

The stack is full and descending (AAPCS32, "The Stack"; from memory): the first word goes right below
the pointer, and the stack grows until it meets whatever is there.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import claims_of, owned_areas
from gemel.inspection.ram.reserves import Reserve, Stated, reserves_of, spans_of_sections, stated_stack
from gemel.inspection.wording import needs_elf
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan, Layout
from gemel.spans import Span, without
from gemel.structs import NamedTuple


class Obstacle(NamedTuple):
    """Bytes of RAM (plain) that a stack must not reach, and the ``name`` of the build that takes them."""

    span: Span
    words: str
    name: str


class StackRoom(NamedTuple):
    """Where a stack grows, in plain addresses: from ``pointer`` down, inside an ``area`` of its core."""

    pointer: int
    area: Span


def place_of_stack(layout: Layout, core: str, pointer: int) -> StackRoom | None:
    """Where the stack from ``pointer`` (as the core sees it) grows; None if not in RAM that it owns."""
    top = pointer & ~3
    located = locate(layout, top - 1, core)
    if located is None:
        return None
    areas = (layout.span_of(name) for name in owned_areas(layout, core))
    area = next((area for area in areas if area.holds(located.plain)), None)
    return StackRoom(located.plain + 1, area) if area else None


def meant_stack(build: Build, pointer: int) -> Reserve | Stated | None:
    """The stack that the build sets aside and in which ``pointer`` starts; else the size that it states."""
    holding = [each for each in reserves_of(build) if each.kind == "stack" and _starts_in(each.span, pointer)]
    return max(holding, key=lambda each: each.span.size, default=None) or stated_stack(build)


def stack_object(build: Build, pointer: int) -> Span | None:
    """What a stack from ``pointer`` starts in, if only that: an object so named, or a section without objects."""
    symbols = build.symbols
    objects = [each for each in symbols.all() if each.kind == "object" and each.defined] if symbols else []
    for symbol in objects:
        if symbol.size and _starts_in(symbol.span, pointer):
            name = symbol.name.lower()
            return symbol.span if "stack" in name or "stk" in name else None
    for section in build.sections.all() if symbols and build.sections else ():
        if section.allocated and not section.stored and section.span.size and section.span.end == pointer:
            return None if any(each.span.overlaps(section.span) for each in objects) else section.span
    return None


def own_obstacles(
    inspection: Inspection, plan: BuildPlan, build: Build, pointer: int, array: Span | None = None
) -> Iterator[Obstacle]:
    """What the build itself takes besides the stack in which ``pointer`` starts, be it an ``array``.

    A heap that runs into a stack whose place the build states is left to heap-room-free.
    """
    layout = inspection.layout
    meant = meant_stack(build, pointer)
    left_out = spans_of_sections(build)
    if array:
        left_out.append(array)
    for claim in claims_of(layout, plan, build):
        if claim.in_ram and not claim.reserve:
            for seen in without([claim.seen], left_out):
                plain = seen.moved(claim.plain.start - claim.seen.start)
                yield Obstacle(plain, f"data of build {plan.name}, {claim.words}", plan.name)
    for reserve in reserves_of(build):
        if reserve.kind == "stack" and (_starts_in(reserve.span, pointer) or reserve.by_size):
            continue
        if reserve.kind == "heap" and isinstance(meant, Reserve) and reserve.span.overlaps(meant.span):
            continue
        located = locate(layout, reserve.span.start, plan.core)
        if located and located.memory.kind == "ram":
            span = Span(located.plain, reserve.span.size)
            yield Obstacle(span, f"the {reserve.kind} of build {plan.name}, {reserve.named_by}", plan.name)


def other_obstacles(inspection: Inspection, plan: BuildPlan) -> Iterator[Obstacle]:
    """What builds of other cores take, as far as they are given."""
    layout = inspection.layout
    for name, other in layout.builds.items():
        if other.core == plan.core:
            continue
        build = inspection.builds.get(name)
        if build and not needs_elf(name, build, "RAM use"):
            for claim in claims_of(layout, other, build):
                if claim.in_ram:
                    what = f"the {claim.words}" if claim.reserve else f"data, {claim.words},"
                    yield Obstacle(claim.plain, f"{what} of build {name} of core {other.core}", name)


def room_below(place: StackRoom, obstacles: list[Obstacle]) -> tuple[int, Obstacle | None]:
    """Bytes from the pointer down to the next obstacle or the start of the area, and that obstacle.

    An obstacle in which the pointer itself starts leaves no byte.
    """
    lowest, nearest = place.area.start, None
    for obstacle in obstacles:
        top = min(obstacle.span.end, place.pointer)
        if obstacle.span.start < place.pointer and top > lowest and obstacle.span.size:
            lowest, nearest = top, obstacle
    return place.pointer - lowest, nearest


def _starts_in(span: Span, pointer: int) -> bool:
    return span.start < pointer <= span.end
