"""Where the bytes of one build go: load addresses to plain addresses, checked against its areas.

A load address may be written as the programmer sees flash, as the build's own core sees it, or, for a
build that runs in RAM, as the RAM address it was linked for; each is brought to the place in the area
that the layout stores the build in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.errors import Problem
from gemel.files.contents import ELF_START, WITHOUT_HEADERS
from gemel.layout.addresses import locate, seen_by
from gemel.layout.model import BuildPlan, Layout
from gemel.placement.placed import PlacedBuild, has_vectors
from gemel.spans import ADDRESS_SPACE, Span, align_down, align_up, format_address, format_size, without
from gemel.structs import NamedTuple, Struct


class Piece(NamedTuple):
    """Bytes of a build at a plain address."""

    address: int
    segment: Segment

    @property
    def span(self) -> Span:
        """The plain span that the bytes take."""
        return Span(self.address, len(self.segment.data))


class Placement(Struct):
    """A build's bytes by plain address, where it is as a whole, and what is wrong with that.

    ``placed`` is None when no byte of the build is in its own area; ``unreachable`` is one of ``problems``, that
    it would run, or have its vector table, where there are no addresses.
    """

    plan: BuildPlan
    build: Build
    pieces: tuple[Piece, ...]
    placed: PlacedBuild | None
    problems: tuple[Problem, ...]
    unreachable: Problem | None = None

    def stored_without(self, holes: Iterable[Span]) -> Iterator[tuple[int, memoryview]]:
        """Address and bytes of each stretch that the build stores outside of ``holes``."""
        left_out = list(holes)
        for piece in self.pieces:
            for span in without([piece.span], left_out):
                start = span.start - piece.address
                yield span.start, memoryview(piece.segment.data)[start : start + span.size]


def part_in_flash(layout: Layout, piece: Piece) -> Span:
    """The bytes of a piece in the memory where it starts, not those beyond its end; empty if that holds no image."""
    located = locate(layout, piece.address)
    if located is None or not located.memory.holds_image:
        return Span(piece.address, 0)
    return piece.span.intersection(located.memory.span)


def place(layout: Layout, plan: BuildPlan, build: Build) -> Placement:
    """Place one build by itself; whether it touches other builds is seen when all are put together."""
    pieces: list[Piece] = []
    problems: list[Problem] = []
    nowhere: list[Segment] = []
    for segment in build.stored:
        address = _plain_address(layout, plan, segment)
        if address is None:
            nowhere.append(segment)
            continue
        piece = Piece(address, segment)
        pieces.append(piece)
        if problem := _memory_problem(layout, plan, build, piece):
            problems.append(problem)
    if nowhere:
        problems.insert(0, _in_no_memory(layout, plan, build, nowhere))
    pieces.sort(key=lambda piece: piece.address)
    own = [piece for piece in pieces if layout.span_of(plan.stored_in).overlaps(piece.span)]
    if over := over_the_memory(layout, plan, build):
        problems = [_too_large(layout, plan, build, over)]
    problems.extend(_distance_problems(layout, plan, build, own))
    placed, unreachable = _placed(layout, plan, build, own) if own else (None, None)
    problems += [unreachable] if unreachable else []
    return Placement(plan, build, tuple(pieces), placed, tuple(problems), unreachable)


def place_all(layout: Layout, builds: Mapping[str, Build]) -> dict[str, Placement]:
    """Every given build placed, in the order of the layout."""
    return {name: place(layout, plan, builds[name]) for name, plan in layout.builds.items() if name in builds}


def forgotten_run_area(layout: Layout, plan: BuildPlan, address: int) -> str:
    """What to add to the layout where a secondary's build is linked for ``address`` in an area of RAM.

    ``address`` is one of its code, as its core sees it.  Empty where that explains nothing.
    """
    located = locate(layout, address, plan.core)
    if plan.runs_in or layout.cores[plan.core].role == "primary" or not located:
        return ""
    owners = {area: core.name for core in layout.cores.values() for area in core.ram}
    for area in layout.areas.values():
        fits = area.purpose in ("code", "data") and owners.get(area.name, plan.core) == plan.core
        if located.memory.kind == "ram" and fits and layout.span_of(area.name).holds(located.plain):
            return (
                f"build {plan.name} is linked to run in area {area.name}: add "
                f'runs_in = "{area.name}" to [build.{plan.name}]'
            )
    return ""


def forgotten_by_segment(layout: Layout, plan: BuildPlan, build: Build, segment: Segment) -> str:
    """The same for a segment, if it holds code as far as the build's file shows."""
    if not segment.executable or (build.kind != "elf" and segment is not build.stored[0]):
        return ""
    return forgotten_run_area(layout, plan, segment.run_address)


def linked_for_ram(layout: Layout, plan: BuildPlan, build: Build) -> list[Segment]:
    """The segments of a build that would be stored in the area of RAM that is to be named as runs_in."""
    hints = (forgotten_by_segment(layout, plan, build, each) for each in build.stored)
    hint = next(filter(None, hints), "")
    return [
        each for each in build.stored if hint and forgotten_run_area(layout, plan, each.load_address) == hint
    ]


def over_the_memory(layout: Layout, plan: BuildPlan, build: Build) -> Span | None:
    """What of a build runs on after the end of its area up to addresses where its memory has ended."""
    area, memory = layout.span_of(plan.stored_in), layout.memory_of(plan.stored_in)
    stored = [segment.load_span for segment in build.stored]
    if not all(area.start <= span.start for span in stored):
        return None
    over = too_large_by(layout, plan, without(stored, [area]))
    return (
        over if over and over.end > memory.span.end and all(span.end <= over.end for span in stored) else None
    )


def _too_large(layout: Layout, plan: BuildPlan, build: Build, over: Span) -> Problem:
    return Problem(
        f"build {plan.name} is {format_size(over.size)} too large for area {plan.stored_in}",
        where=build_words(plan, build),
        found=f"bytes up to {format_address(over.last)}; {layout.memory_of(plan.stored_in).words} ends before",
        expected=area_words(layout, plan),
        next_step="make the build smaller, or enlarge its area in the layout",
    )


MAX_GAP = 64
"""Bytes between two sections that an alignment leaves; what follows after more of them is apart."""


def too_large_by(layout: Layout, plan: BuildPlan, strays: Iterable[Span]) -> Span | None:
    """What of a build runs on after the end of its area, of ``strays``, its bytes that are astray.

    From the area's end to the end of the last of them that follows without a gap; None if none does.
    """
    start = end = layout.span_of(plan.stored_in).end
    for span in sorted(strays):
        if end <= span.start < end + MAX_GAP:
            end = span.end
    return Span.from_bounds(start, end) if end > start else None


def _plain_address(layout: Layout, plan: BuildPlan, segment: Segment) -> int | None:
    stored = layout.span_of(plan.stored_in)
    seen = [locate(layout, segment.load_address, plan.core), locate(layout, segment.load_address)]
    found = [located.plain for located in seen if located]
    for area in layout.spans_of_build(plan):
        for plain in found:
            if area.holds(plain):
                return plain
    if plan.runs_in:
        run = layout.span_of(plan.runs_in)
        for plain in found:
            if run.holds(plain):
                return stored.start + plain - run.start
    return found[0] if found else None


def _placed(
    layout: Layout, plan: BuildPlan, build: Build, own: list[Piece]
) -> tuple[PlacedBuild, Problem | None]:
    """Where the build is; addresses that there are not count modulo 2**32, with the problem next to it."""
    area = layout.span_of(plan.stored_in)
    unit = layout.memory_of(plan.stored_in).write_unit
    start = max(area.start, align_down(own[0].address, unit))
    end = min(area.end, align_up(max(piece.span.end for piece in own), unit))
    if plan.runs_in:
        distance = own[0].segment.run_address - own[0].address
        if own[0].segment.run_address == own[0].segment.load_address:
            run_area = seen_by(layout, layout.span_of(plan.runs_in).start, plan.core)
            distance = run_area - area.start
        run_start = start + distance
    else:
        run_start = seen_by(layout, start, plan.core)
    vectors = run_start + area.start + plan.vector_offset - start
    stored = Span.from_bounds(start, end)
    problem = None
    if run_start < 0 or run_start + stored.size > ADDRESS_SPACE:
        problem = _runs_outside(plan, build, run_start, stored)
    elif has_vectors(layout, plan.name) and not 0 <= vectors < ADDRESS_SPACE:
        problem = _vectors_outside(plan, build, run_start, vectors, own[0].address - area.start)
    run_start, vectors = run_start % ADDRESS_SPACE, vectors % ADDRESS_SPACE
    return PlacedBuild(plan.name, plan.core, stored, run_start, vectors, build.build_id), problem


def _runs_outside(plan: BuildPlan, build: Build, run_start: int, stored: Span) -> Problem:
    return Problem(
        f"build {plan.name} would run where there are no addresses",
        where=build_words(plan, build),
        found=f"{_signed(run_start)} to {_signed(run_start + stored.size - 1)}, for what is stored at {stored}",
        expected=f"addresses from 0 to {format_address(ADDRESS_SPACE - 1)}",
        next_step="correct the run or the load address in the linker script; whole write units are stored, from "
        "before the first byte on",
    )


def _vectors_outside(plan: BuildPlan, build: Build, run_start: int, vectors: int, begins: int) -> Problem:
    return Problem(
        f"by vector_offset the vector table of build {plan.name} is where there are no addresses",
        where=build_words(plan, build),
        found=f"vector_offset = 0x{plan.vector_offset:X} puts it at {_signed(vectors)}: the build's bytes begin "
        f"0x{begins:X} after the start of area {plan.stored_in} and run from {format_address(run_start)} on",
        expected=f"an address from 0 to {format_address(ADDRESS_SPACE - 1)}",
        next_step=f"set vector_offset = 0x{begins:X} in [build.{plan.name}] if its bytes begin with the vector table",
    )


def _signed(address: int) -> str:
    """An address that may be below 0 or beyond the last one."""
    if 0 <= address < ADDRESS_SPACE:
        return format_address(address)
    return f"-0x{-address:X}" if address < 0 else f"0x{address:X}"


def build_words(plan: BuildPlan, build: Build, segment: Segment | None = None) -> str:
    """A build, its file and a segment of it, for people."""
    tail = f", {segment.words}" if segment else ""
    return f"build {plan.name} ({build.file}{tail})"


def area_words(layout: Layout, plan: BuildPlan) -> str:
    """Where the bytes of a build belong, for people."""
    return f"inside area {plan.stored_in}, {layout.span_of(plan.stored_in)}"


def _in_no_memory(layout: Layout, plan: BuildPlan, build: Build, segments: list[Segment]) -> Problem:
    from gemel.builds.elf.notes import misplaced_note

    return Problem(
        f"build {plan.name} has bytes to store where the layout has no memory",
        where=build_words(plan, build, segments[0] if len(segments) == 1 else None),
        found=", ".join(str(segment.load_span) for segment in segments[:4]),
        expected=area_words(layout, plan),
        next_step=misplaced_note(segments[0].data) or step_into_memory(layout, plan, segments),
    )


ALIAS_STEP = 1 << 20
"""Bytes between two addresses of one memory, or a multiple (common practice)."""


def step_into_memory(layout: Layout, plan: BuildPlan, segments: list[Segment]) -> str:
    """What to do about bytes that are stored where the layout has no memory: it may be an alias of the right one."""
    if segments[0].data.startswith(ELF_START):
        return f"these bytes begin with the header of the ELF file: {WITHOUT_HEADERS}"
    memory, area = layout.memory_of(plan.stored_in), layout.span_of(plan.stored_in)
    lowest = min(segment.load_address for segment in segments)
    distance = lowest - area.start & -ALIAS_STEP
    step = "correct the load address in the linker script"
    if memory.start + distance >= 0 and all(
        area.covers(each.load_span.moved(-distance)) for each in segments
    ):
        start = format_address(memory.start + distance)
        return f"if the device shows {memory.words} at {start} too, add that to its aliases in the layout; else {step}"
    return f"{step}, or the memory in the layout"


def step_out_of_ram(layout: Layout, plan: BuildPlan, build: Build, segments: list[Segment]) -> str:
    """What to do about bytes that are stored where no flash is: in the first of segments that are linked alike."""
    from gemel.builds.elf.notes import misplaced_note
    from gemel.builds.elf.segment_sections import stored_for_ram

    first, located = segments[0], locate(layout, segments[0].load_address)
    if note := misplaced_note(first.data):
        return note
    step = "give the section a load address in flash (AT> in the linker script)"
    if forgotten := max(forgotten_by_segment(layout, plan, build, each) for each in segments):
        return f"{forgotten}; else {step}"
    cause = stored_for_ram(first, _stored_sections(build))
    is_ram = plan.runs_in is None and located is not None and located.memory.kind == "ram"
    may_run_there = is_ram and (first.executable or not cause)
    return (cause or step) + (
        ", or name the RAM area it runs in as runs_in in the layout" if may_run_there else ""
    )


def _memory_problem(layout: Layout, plan: BuildPlan, build: Build, piece: Piece) -> Problem | None:
    located = locate(layout, piece.address)
    if located is None:
        return None
    memory = located.memory
    where = build_words(plan, build, piece.segment)
    if not memory.holds_image:
        linked = linked_for_ram(layout, plan, build)
        if piece.segment in linked[1:]:
            return None  # the first of them says what is to be done about all
        found = linked if piece.segment in linked else [piece.segment]
        return Problem(
            f"build {plan.name} has bytes to store at a load address in {memory.words}",
            where=build_words(plan, build) if found[1:] else where,
            found=", ".join(str(each.load_span) for each in found[:4]),
            expected=area_words(layout, plan),
            next_step=step_out_of_ram(layout, plan, build, found),
        )
    if not memory.span.covers(piece.span):
        return Problem(
            f"build {plan.name} runs over the end of memory {memory.name}",
            where=where,
            found=str(piece.span),
            expected=f"an end of at most {format_address(memory.span.last)}",
        )
    return None


def _stored_sections(build: Build) -> Iterable[tuple[str, Span, int]]:
    return (
        (section.name, section.span, section.offset)
        for section in build.all_sections
        if section.allocated and section.stored
    )


def _moves_by_itself(layout: Layout, plan: BuildPlan, piece: Piece, first: Piece) -> bool:
    """Whether a piece is data that is copied with the block, and that the build's own start-up moves on.

    It is stored where it follows the block, and linked to run elsewhere in RAM.
    """
    segment = piece.segment
    with_block = segment.load_address - piece.address == first.segment.load_address - first.address
    located = locate(layout, segment.run_address, plan.core)
    return with_block and not segment.executable and located is not None and located.memory.kind == "ram"


def _distance_problems(layout: Layout, plan: BuildPlan, build: Build, own: list[Piece]) -> Iterator[Problem]:
    """A build that is copied as one block must run as one block."""
    if not plan.runs_in or not own:
        return
    first = own[0].segment
    distance = first.run_address - own[0].address
    for piece in own[1:]:
        if _moves_by_itself(layout, plan, piece, own[0]):
            continue
        if piece.segment.run_address - piece.address != distance:
            runs_at = format_address(piece.segment.run_address)
            hint = "a copied build moves as one block: link all it stores for consecutive run addresses"
            if first.run_address == seen_by(layout, own[0].address, plan.core):
                hint = (
                    f"build {plan.name} is linked to run where it is stored: take runs_in out of "
                    f"[build.{plan.name}], or link it for area {plan.runs_in}"
                )
            yield Problem(
                f"build {plan.name} is copied as one block, but its segments do not run as one block",
                where=build_words(plan, build, piece.segment),
                found=f"stored at {format_address(piece.address)}, runs at {runs_at}",
                expected=f"runs at {format_address(piece.address + distance)}, as segment {first.index} does",
                next_step=hint,
            )
