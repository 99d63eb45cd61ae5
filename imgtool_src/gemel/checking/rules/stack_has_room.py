"""Rule ``stack-has-room``: below each initial stack pointer is room, and as much as the build states."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.rule import Rule
from gemel.inspection.cores.vector_tables import place_of, word_span
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.ram.claims import claims_of, owned_areas
from gemel.inspection.ram.reserves import Reserve, Stated, reserves_of, spans_of_sections, stated_stack
from gemel.inspection.wording import biggest_symbols, concerned, needs_elf, said_of, see, sized
from gemel.layout.addresses import locate, seen_by
from gemel.layout.model import BuildPlan, Layout
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address, format_size, without
from gemel.structs import NamedTuple

EXCEPTION_FRAME = 32
"""Bytes that a core pushes when it takes an exception: eight words (Armv7-M ARM, B1.5.6; from memory)."""
_FRAME = Stated(EXCEPTION_FRAME, "what one exception pushes")
ALIGNMENT = 8
"""Of a stack; a linker may align inside a section, after its start (AAPCS32, "The Stack"; from memory)."""


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build: what is below its vector table's first word."""
    place = place_of_stack(inspection.layout, table.core.name, table.words[0])
    if place is None:
        yield NotChecked(
            f"build {table.plan.name}",
            see("stack-pointer-in-own-ram", "its stack pointer is in no RAM of its core"),
        )
    else:
        yield _outcome(inspection, table, place)


def _outcome(inspection: Inspection, table: VectorTable, place: StackRoom) -> Outcome:
    where, pointer = f"build {table.plan.name}", table.words[0] & ~3
    build = inspection.builds.get(table.plan.name)
    others = list(other_obstacles(inspection, table.plan))
    reason = needs_elf(table.plan.name, build, "RAM use")
    if build is None or reason:
        room, obstacle = room_below(place, others)
        if obstacle and room < EXCEPTION_FRAME:
            return _finding(table, place, room, obstacle, _FRAME)
        return NotChecked(where, reason)
    if upside_down := _upside_down(table, build, pointer):
        return upside_down
    own = list(own_obstacles(inspection, table.plan, build, pointer))
    meant = meant_stack(build, pointer)
    room, obstacle = room_below(place, [*own, *others])
    need = _need(inspection, table, meant)
    if room < need.size and obstacle in own and (array := stack_object(build, pointer)):
        own = list(own_obstacles(inspection, table.plan, build, pointer, array))
        room, obstacle = room_below(place, [*own, *others])
    if room >= need.size:
        stated = f", {format_size(need.size)} stated" if meant else ""
        return Holds(f"{where}: {format_size(room)} below {format_address(pointer)}{stated}")
    if obstacle in own and room == 0 and build.symbols is None:
        return NotChecked(
            where, said_of("whether its stack starts in a stack", needs_elf(build.name, build, "symbols"))
        )
    lines = _symbol_lines(inspection, table, build, obstacle, place, need.size) if obstacle in own else ()
    return _finding(table, place, room, obstacle, need, lines)


def _need(inspection: Inspection, table: VectorTable, meant: Reserve | Stated | None) -> Stated:
    """The bytes that a stack needs: those that the build states, that its code takes as it runs, or a frame."""
    pointer = table.words[0] & ~3
    run = inspection.start_runs.get(table.plan.name)
    taken = pointer - run.deepest if run and run.deepest else 0
    needs = [_FRAME, Stated(taken, "what its code takes up to the first calls of main")]
    if meant:
        size = pointer - meant.span.start if isinstance(meant, Reserve) else meant.size
        needs.insert(0, Stated(max(size, EXCEPTION_FRAME), meant.named_by))
    return max(needs, key=lambda each: each.size)


def _upside_down(table: VectorTable, build: Build, pointer: int) -> Finding | None:
    """A pointer to the lower end of the stack."""
    stacks = [each for each in reserves_of(build) if each.kind == "stack"]
    stack = next(
        (each for each in stacks if 0 <= pointer - each.span.start < ALIGNMENT < each.span.size), None
    )
    if stack is None or any(each.span.end == pointer for each in stacks):
        return None
    return Finding(
        f"the initial stack of core {table.core.name} starts at the wrong end",
        concerned(table.plan.name, table.core.name),
        where=place_of(table, 0),
        found=f"{format_address(pointer)}, where the stack ends that the build sets aside ({stack.named_by})",
        expected=f"{format_address(stack.span.end)}: the stack grows downwards",
        span=word_span(table, 0),
        next_step="let word 0 of the vector table be the first address after the stack",
    )


def _finding(
    table: VectorTable,
    place: StackRoom,
    room: int,
    obstacle: Obstacle | None,
    need: Stated,
    lines: tuple[str, ...] = (),
) -> Finding:
    pointer, core = table.words[0] & ~3, table.core.name
    below = f"{obstacle.words} at {obstacle.span}" if obstacle else f"the start of its RAM, {place.area}"
    if obstacle is None or room:
        what = f"the initial stack of core {core} has less room than build {table.plan.name} needs"
        found = f"{format_size(room)} from {format_address(pointer)} down to {below}"
    else:
        inside = obstacle.span.end > place.pointer
        what = (
            f"the initial stack of core {core} starts {'in' if inside else 'at the end of'} {obstacle.words}"
        )
        found = f"{format_address(pointer)}: no byte below it is free of {below}"
    return Finding(
        what,
        concerned(table.plan.name, core, obstacle.name if obstacle else ""),
        where=place_of(table, 0),
        found=found,
        expected=f"at least {format_size(need.size)} ({need.named_by})",
        span=word_span(table, 0),
        lines=lines,
        follows_from=(("ram-claims-in-own-areas", obstacle.name),)
        if obstacle and (obstacle.name != table.plan.name or obstacle.span.end >= place.area.end)
        else (),
    )


def _symbol_lines(
    inspection: Inspection,
    table: VectorTable,
    build: Build,
    obstacle: Obstacle | None,
    place: StackRoom,
    needed: int,
) -> tuple[str, ...]:
    """The largest objects that the stack would overwrite first."""
    if obstacle is None:
        return ()
    wanted = Span.from_bounds(
        max(place.area.start, place.pointer - max(needed, EXCEPTION_FRAME)), place.pointer
    )
    plain = obstacle.span.intersection(wanted)
    seen = Span(seen_by(inspection.layout, plain.start, table.core.name), plain.size)
    symbols = biggest_symbols(build, seen) if plain.size else ""
    if not symbols:
        return ()
    return (
        f"it grows into {symbols}, in {sized(seen)}",
        "an object that is meant to be the stack counts as one if its name has 'stack' in it",
    )


class Obstacle(NamedTuple):
    """Bytes of RAM (plain) that a stack must not reach, and the ``name`` of the build that takes them.

    A stack is full and descending (AAPCS32, "The Stack"; from memory): its first word is right below the pointer.
    """

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


RULE = Rule(
    name="stack-has-room",
    severity="error",
    guards="device",
    checks="Below the initial stack pointer of each build, down to the next byte that its own data, heap "
    "or code or another core's build takes, or to the start of its RAM, there is at least the stack that the "
    "build states, or one exception frame where it states none, and what its code takes as it starts.",
    why="Nothing stops a stack that meets data: it overwrites variables, and a store to one of them "
    "changes a return address. A build links without a warning when its data has grown into the stack, and "
    "fails in the deepest call or the first interrupt.",
    remedy="Make the build's data smaller, or its RAM larger, and let its linker script assert that the "
    "stack fits after the data; set word 0 of the vector table to the first address after the stack.",
    source="AAPCS32, section 'The Stack' (full descending; from memory); Armv7-M Architecture Reference "
    "Manual, section B1.5.6 (eight words are pushed; from memory); common practice (names of sections and "
    "symbols)",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
