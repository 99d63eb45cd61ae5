"""Rule ``load-addresses-in-flash``: what a build stores, it stores in flash."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.elf.notes import misplaced_note
from gemel.builds.segment import Segment
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.windows import parts_of, windows_of
from gemel.inspection.wording import (
    concerned,
    found_or_holds,
    lines_in_short,
    needs_build,
    own_areas_words,
    segment_words,
    sized,
)
from gemel.layout.addresses import locate
from gemel.outcomes import Finding, NotChecked, Outcome
from gemel.placement.placing import (
    Piece,
    Placement,
    linked_for_ram,
    over_the_memory,
    step_into_memory,
    step_out_of_ram,
)
from gemel.spans import Span, format_size


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, one finding for each segment that is stored outside flash."""
    for name in inspection.layout.builds:
        placement = inspection.placements.get(name)
        if placement is None:
            yield NotChecked(f"build {name}", needs_build(name))
            continue
        yield from found_or_holds(_findings(inspection, placement), f"build {name}")


def _findings(inspection: Inspection, placement: Placement) -> Iterator[Finding]:
    if over := over_the_memory(inspection.layout, placement.plan, placement.build):
        yield _too_large(inspection, placement, over)
        return
    placed = {piece.segment.index for piece in placement.pieces}
    if nowhere := [segment for segment in placement.build.stored if segment.index not in placed]:
        yield _nowhere(inspection, placement, nowhere)
    linked = linked_for_ram(inspection.layout, placement.plan, placement.build)
    for piece in placement.pieces:
        located = locate(inspection.layout, piece.address)
        if located and not located.memory.holds_image:
            if piece.segment not in linked[1:]:
                yield _in_ram(
                    inspection, placement, piece, linked if piece.segment in linked else [piece.segment]
                )
        elif located and not located.memory.span.covers(piece.span):
            yield _over_the_end(inspection, placement, piece)


def _too_large(inspection: Inspection, placement: Placement, over: Span) -> Finding:
    plan, memory = placement.plan, inspection.layout.memory_of(placement.plan.stored_in)
    return Finding(
        f"build {plan.name} is {format_size(over.size)} too large for area {plan.stored_in}",
        concerned(plan.name, plan.core, plan.stored_in, memory.name),
        where=f"build {plan.name} ({placement.build.file})",
        found=f"bytes of it after the area, {sized(over)}; {memory.words} ends before",
        expected=own_areas_words(inspection.layout, plan),
        span=over,
        next_step="make the build smaller, or enlarge its area in the layout",
    )


def _nowhere(inspection: Inspection, placement: Placement, segments: list[Segment]) -> Finding:
    plan, first = placement.plan, segments[0]
    others = [f"{segment.words}: {sized(segment.load_span)}" for segment in segments[1:]]
    return Finding(
        f"build {plan.name} has bytes to store where the layout has no memory",
        concerned(plan.name, plan.core, plan.stored_in),
        where=segment_words(placement.build, first),
        found=f"load address {sized(first.load_span)}",
        expected=own_areas_words(inspection.layout, plan),
        span=first.load_span,
        lines=lines_in_short(others, "segment"),
        next_step=misplaced_note(first.data) or step_into_memory(inspection.layout, plan, segments),
    )


def _in_ram(inspection: Inspection, placement: Placement, piece: Piece, alike: list[Segment]) -> Finding:
    """What is wrong with the place of a piece, the first of the segments that ``alike`` are linked for RAM."""
    plan, segment = placement.plan, piece.segment
    parts = parts_of(piece.span, windows_of(inspection.layout))
    memory = parts[0].memory
    kind = memory.words if memory else "no memory"
    lines = lines_in_short([f"{each.words}: {sized(each.load_span)}" for each in alike[1:]], "segment")
    if segment.run_address == segment.load_address:
        lines = (
            "load address and run address are the same: nothing is left to be copied at the start",
            *lines,
        )
    return Finding(
        f"build {plan.name} has bytes to store in {kind}",
        concerned(plan.name, plan.core, plan.stored_in, memory.name if memory else ""),
        where=segment_words(placement.build, segment),
        found=f"load address {sized(segment.load_span)}",
        expected=own_areas_words(inspection.layout, plan),
        span=piece.span,
        next_step=step_out_of_ram(inspection.layout, plan, placement.build, alike),
        lines=lines,
    )


def _over_the_end(inspection: Inspection, placement: Placement, piece: Piece) -> Finding:
    plan = placement.plan
    located = locate(inspection.layout, piece.address)
    memory = located.memory if located else inspection.layout.memory_of(plan.stored_in)
    over = Span.from_bounds(memory.span.end, piece.span.end)
    return Finding(
        f"build {plan.name} runs over the end of {memory.words}",
        concerned(plan.name, plan.core, plan.stored_in, memory.name),
        where=segment_words(placement.build, piece.segment),
        found=f"{piece.span}, of which {sized(over)}, are after the end",
        expected=f"inside {memory.words}, {memory.span}",
        span=over,
        next_step="make the build smaller, or correct the size of the memory in the layout",
    )


RULE = Rule(
    name="load-addresses-in-flash",
    severity="error",
    guards="device",
    checks="Each segment of a build that has bytes to store has its load address in a flash or rom memory, "
    "as the programmer or the build's core sees it, or in the RAM area that the build is copied to.",
    why="Bytes with a load address in RAM are put there by a debugger only: the build works on the bench and "
    "starts with random data in the field. In a raw binary the gap between flash and RAM becomes part of the "
    "file: a build of 164 bytes was seen to make one of 402,653,208.",
    remedy="Separate load and run address in the linker script (> RAM AT> FLASH), and copy at start-up.",
    source="System V gABI, chapter 7, program header, p_paddr and p_filesz; that p_paddr is the load address "
    "is a convention of linkers for bare metal, not guaranteed; common practice",
    absent="the layout has no build",
    check=check,
)
