"""Rule ``load-addresses-in-flash``: what a build stores, it stores in flash."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Segment
from gemel.check.findings.wording import (
    concerned,
    found_or_holds,
    needs_build,
    own_areas_words,
    segment_words,
    sized,
)
from gemel.check.rule import Finding, NotChecked, Outcome, Rule
from gemel.inspection.inspection import Subject
from gemel.inspection.windows import parts_of, windows_of
from gemel.layout.addresses import locate
from gemel.placement.placing import Piece, Placement, forgotten_by_segment
from gemel.spans import Span


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome for each build, one finding for each segment that is stored outside flash."""
    for name in subject.layout.builds:
        placement = subject.placements.get(name)
        if placement is None:
            yield NotChecked(f"build {name}", needs_build(name))
            continue
        yield from found_or_holds(_findings(subject, placement), f"build {name}")


def _findings(subject: Subject, placement: Placement) -> Iterator[Finding]:
    placed = {piece.segment.index for piece in placement.pieces}
    for segment in placement.build.stored:
        if segment.index not in placed:
            yield _nowhere(subject, placement, segment)
    for piece in placement.pieces:
        located = locate(subject.layout, piece.address)
        if located and not located.memory.holds_image:
            yield _in_ram(subject, placement, piece)
        elif located and not located.memory.span.covers(piece.span):
            yield _over_the_end(subject, placement, piece)


def _nowhere(subject: Subject, placement: Placement, segment: Segment) -> Finding:
    plan = placement.plan
    return Finding(
        f"build {plan.name} has bytes to store where the layout has no memory",
        concerned(plan.name, plan.core, plan.stored_in),
        segment_words(placement.build, segment),
        f"load address {sized(segment.load_span)}",
        own_areas_words(subject.layout, plan),
        segment.load_span,
        "mend the load address in the linker script, or the memory in the layout",
    )


def _in_ram(subject: Subject, placement: Placement, piece: Piece) -> Finding:
    plan, segment = placement.plan, piece.segment
    parts = parts_of(piece.span, windows_of(subject.layout))
    memory = parts[0].memory
    kind = memory.words if memory else "no memory"
    hint = "give the section a load address in flash (AT> in the linker script)"
    if plan.runs_in is None and memory and memory.kind == "ram":
        hint += ", or name the RAM area it runs in as runs_in in the layout"
    if forgotten := forgotten_by_segment(subject.layout, plan, placement.build, segment):
        hint = f"{forgotten}; else give the section a load address in flash (AT> in the linker script)"
    lines = []
    if segment.run_address == segment.load_address:
        lines.append("load address and run address are the same: nothing is left to be copied at the start")
    return Finding(
        f"build {plan.name} has bytes to store in {kind}",
        concerned(plan.name, plan.core, plan.stored_in, memory.name if memory else ""),
        segment_words(placement.build, segment),
        f"load address {sized(segment.load_span)}",
        own_areas_words(subject.layout, plan),
        piece.span,
        hint,
        tuple(lines),
    )


def _over_the_end(subject: Subject, placement: Placement, piece: Piece) -> Finding:
    plan = placement.plan
    located = locate(subject.layout, piece.address)
    memory = located.memory if located else subject.layout.memory_of(plan.stored_in)
    over = Span.from_bounds(memory.span.end, piece.span.end)
    return Finding(
        f"build {plan.name} runs over the end of {memory.words}",
        concerned(plan.name, plan.core, plan.stored_in, memory.name),
        segment_words(placement.build, piece.segment),
        f"{piece.span}, of which {sized(over)}, lie behind the end",
        f"inside {memory.words}, {memory.span}",
        over,
        "make the build smaller, or mend the size of the memory in the layout",
    )


RULE = Rule(
    name="load-addresses-in-flash",
    severity="error",
    checks="Each segment of a build that has bytes to store has its load address in a flash or rom memory, "
    "as the programmer or the build's core sees it, or in the RAM area that the build is copied to.",
    why="Bytes with a load address in RAM are put there by a debugger and by nobody else: the build works on "
    "the bench and starts with random data in the field. Made into a raw binary, the gap between flash and "
    "RAM becomes file: a build of 164 bytes was seen to make one of 402,653,208.",
    remedy="Separate load and run address in the linker script (> RAM AT> FLASH), and copy at the start.",
    source="System V gABI, chapter 7, program header, p_paddr and p_filesz; that p_paddr is the load address "
    "is a convention of linkers for bare metal, not guaranteed; common practice",
    absent="the layout has no build",
    check=check,
)
