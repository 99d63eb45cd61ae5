"""Rule ``copied-build-in-run-area``: a build that is copied to RAM fits and is linked for its place there."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.windows import Window, parts_of, windows_of
from gemel.inspection.wording import as_one, concerned, found_or_holds, needs_elf, segment_words, sized
from gemel.layout.addresses import seen_by
from gemel.layout.model import BuildPlan
from gemel.outcomes import NOT_FOUND, Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.placement.placed import PlacedBuild
from gemel.placement.placing import Piece, Placement
from gemel.spans import Span, format_address, format_size


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build with runs_in, one finding for each thing that is wrong with its copy."""
    for name, plan in inspection.layout.builds.items():
        if plan.runs_in is None:
            continue
        where = f"build {name}"
        if name not in inspection.placed_with_origin:
            yield NotChecked(where, NOT_FOUND)
            continue
        placed, origin = inspection.placed_with_origin[name]
        area = inspection.layout.span_of(plan.runs_in)
        if placed.stored.size > area.size:
            yield _too_large(plan, placed, area)
            continue
        if origin == "layout":
            size = f"{format_size(placed.stored.size)} would fit, but where it runs is not known"
            yield NotChecked(
                where,
                Reason(f"{size}: needs {name}=FILE, or an image with a sound record", Need("build", name)),
            )
        elif origin == "record":
            yield _block(inspection, plan, placed, area) or Holds(where)
        elif reason := _run_addresses_unknown(inspection, placement := inspection.placements[name]):
            yield NotChecked(where, reason)
        else:
            yield from found_or_holds(_segments(inspection, placement, placed, area), where)
            if reason := _moves_unknown(placement, placed):
                yield NotChecked(where, reason)


def _run_addresses_unknown(inspection: Inspection, placement: Placement) -> str:
    """Why the run addresses are not known; bytes stored for the RAM they run in show them in any file."""
    area = inspection.layout.span_of(placement.plan.runs_in or "")
    windows = windows_of(inspection.layout, placement.plan.core)
    if all(_is_in(area, piece.segment.run_span, windows) for piece in placement.pieces):
        return ""
    return needs_elf(placement.plan.name, placement.build, "run addresses")


def _segments(
    inspection: Inspection, placement: Placement, placed: PlacedBuild, area: Span
) -> Iterator[Finding]:
    plan = placement.plan
    windows = windows_of(inspection.layout, plan.core)
    blocks = inspection.start_blocks.get(plan.name)
    copies = blocks.copies if blocks else []
    moved = [entry.span for entry in copies if entry.source != entry.start]
    stored = [piece for piece in placement.pieces if piece.span.overlaps(placed.stored)]
    unknown = bool(_moves_unknown(placement, placed))
    own = [
        piece
        for piece in stored
        if not _is_data(piece)
        or not (unknown or any(span.covers(piece.segment.stored_run) for span in moved))
    ] or stored
    runs = [piece.segment.stored_run for piece in own]
    if outside := [at for at, run in enumerate(runs) if not _is_in(area, run, windows)]:
        found = [_outside(inspection, plan, placement, own[at], runs[at], area) for at in outside]
        yield as_one(found, "segment")
        return
    distance = runs[0].start - own[0].address
    for piece in own[1:]:
        if piece.segment.run_address - piece.address != distance:
            yield _separated(plan, placement, piece, distance)
    if block := _block(inspection, plan, placed, area):
        yield block


def _moves_unknown(placement: Placement, placed: PlacedBuild) -> str:
    """Why it is not known whether start-up code moves the data that it is to move; empty where nothing is to move."""
    distance = placed.run_start - placed.stored.start
    moved = any(
        _is_data(piece) and piece.segment.stored_run != piece.span.moved(distance)
        for piece in placement.pieces
    )
    return needs_elf(placement.plan.name, placement.build, "symbols") if moved else ""


def _is_data(piece: Piece) -> bool:
    return piece.segment.writable and not piece.segment.executable


def _is_in(area: Span, run: Span, windows: list[Window]) -> bool:
    """Whether all of ``run``, as the observer of ``windows`` sees it, is in the area at plain ``area``."""
    return all(part.memory and area.covers(part.plain) for part in parts_of(run, windows))


def _parties(plan: BuildPlan) -> tuple[str, ...]:
    return concerned(plan.name, plan.core, plan.stored_in, plan.runs_in or "")


def _too_large(plan: BuildPlan, placed: PlacedBuild, area: Span) -> Finding:
    return Finding(
        f"build {plan.name} is larger than area {plan.runs_in}, which it is copied to",
        _parties(plan),
        where=f"build {plan.name}, stored in {placed.stored}",
        found=f"{format_size(placed.stored.size)} as stored, whole write units",
        expected=f"at most {format_size(area.size)}, area {plan.runs_in}, {area}",
        span=placed.stored,
        next_step="make the build smaller, or enlarge the area",
    )


def _block(inspection: Inspection, plan: BuildPlan, placed: PlacedBuild, area: Span) -> Finding | None:
    """What is wrong with the place of the block that the primary copies, padding included."""
    run = Span(placed.run_start, placed.stored.size)
    if _is_in(area, run, windows_of(inspection.layout, plan.core)):
        return None
    seen = seen_by(inspection.layout, area.start, plan.core)
    return Finding(
        f"build {plan.name} runs outside area {plan.runs_in}, which it is copied to",
        _parties(plan),
        where=f"build {plan.name}, stored in {placed.stored}",
        found=f"runs at {sized(run)}, as core {plan.core} sees it",
        expected=f"inside {Span(seen, area.size)}, area {plan.runs_in}",
        span=run,
    )


def _outside(
    inspection: Inspection, plan: BuildPlan, placement: Placement, piece: Piece, run: Span, area: Span
) -> Finding:
    seen = seen_by(inspection.layout, area.start, plan.core)
    lines = []
    if piece.segment.run_address == piece.segment.load_address:
        lines.append("load address and run address are the same: it is linked to run where it is stored")
    return Finding(
        f"build {plan.name} is not linked to run in area {plan.runs_in}, which it is copied to",
        _parties(plan),
        where=segment_words(placement.build, piece.segment),
        found=f"runs at {sized(run)}, as core {plan.core} sees it",
        expected=f"inside {Span(seen, area.size)}, area {plan.runs_in}",
        span=run,
        lines=tuple(lines),
    )


def _separated(plan: BuildPlan, placement: Placement, piece: Piece, distance: int) -> Finding:
    return Finding(
        f"build {plan.name} is copied as one block, but its segments do not run as one block",
        _parties(plan),
        where=segment_words(placement.build, piece.segment),
        found=f"stored at {format_address(piece.address)}, runs at {format_address(piece.segment.run_address)}",
        expected=f"runs at {format_address(piece.address + distance)}, as the first segment does",
        span=piece.span,
        next_step="link all that the build stores for consecutive run addresses",
    )


RULE = Rule(
    name="copied-build-in-run-area",
    severity="error",
    guards="device",
    checks="A build with runs_in, as stored and padded, fits that RAM area, is linked to run there as its core sees "
    "it, and is copied there as one block; data that its own start-up code copies further need only be stored "
    "in the block.",
    why="The primary copies the block before it releases the core. What does not fit overwrites the RAM "
    "after the area; code that was linked for another place jumps and loads relative to that place and "
    "faults at once, or later, where only absolute addresses are wrong.",
    remedy="Link the build with run addresses in the area (> RAM AT> FLASH for code as well), or correct "
    "runs_in.",
    source="System V gABI, chapter 7, program header, p_vaddr; common practice",
    absent="no build of the layout is copied to RAM (runs_in)",
    check=check,
    only_with="copied builds",
)
