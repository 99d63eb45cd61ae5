"""Rule ``code-runs-where-stored``: what runs from flash is stored where it runs."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.windows import Window, parts_of, windows_of
from gemel.inspection.wording import concerned, found_or_holds, lines_in_short, segment_words, sized
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Outcome
from gemel.placement.placing import Piece, Placement
from gemel.spans import Span, format_address, format_size


@of_each_build("run addresses")
def check(inspection: Inspection, plan: BuildPlan, _: Build) -> Iterator[Outcome]:
    """One outcome for each build, one finding for all that runs in flash at one distance from where it is stored."""
    windows = windows_of(inspection.layout, plan.core)
    yield from found_or_holds(_findings(inspection.placements[plan.name], windows), f"build {plan.name}")


def _findings(placement: Placement, windows: list[Window]) -> Iterator[Finding]:
    by_distance: dict[int, list[tuple[Piece, Span, Span]]] = {}
    for piece in placement.pieces:
        run = piece.segment.stored_run
        for part in parts_of(run, windows):
            stored = piece.address + part.seen.start - run.start
            if part.memory and part.memory.holds_image and part.plain.start != stored:
                moved = piece, part.plain, Span(stored, part.plain.size)
                by_distance.setdefault(stored - part.plain.start, []).append(moved)
    yield from (_finding(placement, distance, moved) for distance, moved in by_distance.items())


def _finding(placement: Placement, distance: int, moved: list[tuple[Piece, Span, Span]]) -> Finding:
    plan = placement.plan
    side = "after" if distance > 0 else "before"
    piece, run, stored = moved[0]
    others = [
        f"so is {each.segment.words}: stored at {there}, runs at {sized(here)}"
        for each, here, there in moved[1:]
    ]
    return Finding(
        f"build {plan.name} runs from flash at one place and is stored at another",
        concerned(plan.name, plan.core, plan.stored_in),
        where=segment_words(placement.build, piece.segment),
        found=f"stored at {stored}, runs at {sized(run)}",
        expected=f"stored at {format_address(run.start)}, where core {plan.core} takes it from",
        span=stored,
        lines=(
            f"it is stored {format_size(abs(distance))} {side} the place it runs from",
            *lines_in_short(others, "segment"),
        ),
    )


RULE = Rule(
    name="code-runs-where-stored",
    severity="error",
    guards="device",
    checks="Each segment of a build whose run address is in flash or rom, as its core sees it, is stored "
    "at that place.",
    why="Nothing copies from flash to flash at start-up. The core takes its instructions and constants from the "
    "run address, where other bytes or erased ones are, and faults; with a stale build at that place it even "
    "runs.",
    remedy="Link the build for the place where it is stored, instead of moving its load address afterwards; if a core "
    "or the programmer sees that place at another address, say so with aliases or views of the memory.",
    source="System V gABI, chapter 7, program header, p_vaddr and p_paddr; common practice",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
