"""Rule ``initialised-data-copied``: all that is stored for RAM is copied there by somebody."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.findings.start_blocks import unused_words
from gemel.checking.rule import Rule
from gemel.inspection.code.address_literals import holders_of
from gemel.inspection.code.address_users import one_holds
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.unstored import KEPT, named_as
from gemel.inspection.start_up.tables import StartBlocks
from gemel.inspection.wording import (
    MAX_SHOWN,
    biggest_symbols,
    concerned,
    counted,
    found_or_holds,
    lines_in_short,
    segment_words,
    sized,
)
from gemel.layout.addresses import locate, seen_by
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, NotChecked, Outcome
from gemel.placement.placing import Piece, Placement
from gemel.spans import Span, format_address, without

if TYPE_CHECKING:
    from gemel.m_profile.execution.start_run import StartRun

TABLE_SIZE = 32
"""Bytes of a table that a device is given in which the addresses of its first copy are (common practice)."""


@of_each_build("symbols")
def check(inspection: Inspection, plan: BuildPlan, _: Build) -> Iterator[Outcome]:
    """One outcome for each build that stores bytes for RAM and shows by symbols what it copies."""
    where = f"build {plan.name}"
    placement = inspection.placements[plan.name]
    pieces = [piece for piece in placement.pieces if _moves(inspection, placement, piece)]
    in_turn = _copied_in_turn(inspection, placement) if pieces else ()
    pieces = [piece for piece in pieces if piece.address not in in_turn]
    if not pieces:
        return
    start, run = inspection.start_blocks[plan.name], inspection.start_runs.get(plan.name)
    if start.copies or start.states_copies:
        cleared = [entry.span for entry in start.clears] + [*(start.written or ())]
        known = [entry.span for entry in start.copies]
        left = [(piece, rest) for piece in pieces for rest in _not_copied(placement, piece, known, cleared)]
        if left and run and not any(without([rest for _, rest in left], run.perhaps)):
            yield NotChecked(
                where, "its start-up code writes there, but from where, or how far, is not known"
            )
            return
        if left and start.written is None and all(_may_copy(placement, *each) for each in left):
            yield NotChecked(where, "code that is not followed whole holds its addresses, and may copy it")
            return
        if left and run and all(_is_given_to_device(placement, run, *each) for each in left):
            yield NotChecked(where, "a device is given its addresses, and may copy it")
            return
        yield from found_or_holds([_finding(placement, left, start)] if left else [], where)
    elif run and (called := list(_called(placement, pieces, run))):
        yield _finding(placement, called, start)
    else:
        lacking = "none of the usual symbols of copy tables or of the ends of its data"
        yield NotChecked(where, f"it has {lacking}: what its start-up code copies is not known")


def _called(placement: Placement, pieces: list[Piece], run: StartRun) -> Iterator[tuple[Piece, Span]]:
    """What no code has written of pieces, and no device, when code calls what a word there leads to."""
    for piece in pieces:
        for rest in without([piece.segment.stored_run], [*run.written, *run.perhaps]):
            if any(map(rest.holds, run.called_by)) and not _is_given_to_device(placement, run, piece, rest):
                yield piece, rest


def _may_copy(placement: Placement, piece: Piece, rest: Span) -> bool:
    """Whether a function gets at both addresses of data that no known block copies."""
    segment = piece.segment
    stored = segment.load_address + rest.start - segment.run_address
    return not segment.executable and one_holds(placement.build, stored, rest.start)


def _is_given_to_device(placement: Placement, run: StartRun, piece: Piece, rest: Span) -> bool:
    """Whether code writes both addresses of data to registers, or that of a table, such as of DMA, which has them."""
    given = {store.value for store in run.stores if store.value is not None}
    words = [given]
    for value in given:
        if segment := placement.build.segment_at_run(value):
            table = segment.data[value - segment.run_address :][:TABLE_SIZE]
            words.append({word for (word,) in struct.iter_unpack("<I", table[: len(table) & ~3])})
    stored = piece.segment.load_address + rest.start - piece.segment.run_address
    return any({stored, rest.start} <= each for each in words)


def _moves(inspection: Inspection, placement: Placement, piece: Piece) -> bool:
    """Whether the core finds the piece elsewhere than it is stored, and no other core brings it there."""
    located = locate(inspection.layout, piece.segment.run_address, placement.plan.core)
    if located is None or located.memory.kind != "ram":
        return False
    if placement.plan.runs_in is None:
        return True
    placed = placement.placed
    own = placed is not None and placed.stored.overlaps(piece.span)
    return not own


def _next_step(placement: Placement, names: list[str], piece: Piece) -> str:
    """What to do about what nobody is known to copy, by the names of its sections."""
    plan = placement.plan
    step = (
        f"copy section {', '.join(names[:MAX_SHOWN])} from LOADADDR to ADDR, SIZEOF bytes, before it is used"
        if names
        else ""
    )
    if not piece.segment.executable or plan.runs_in:
        return step
    return (
        f"{step or 'use a copy table'}; where build {plan.name} as a whole is copied to RAM before it starts, name the "
        f"area that it runs in: runs_in in [build.{plan.name}]"
    )


def _is_padding(placement: Placement, rest: Span) -> bool:
    """Whether no section has bytes in ``rest``: the linker has filled up to the next one."""
    sections = placement.build.all_sections
    stored = [section for section in sections if section.allocated and section.stored]
    return bool(stored) and not any(section.span.overlaps(rest) for section in stored)


def _copied_in_turn(inspection: Inspection, placement: Placement) -> set[int]:
    """Where pieces are stored that run at one place, if any build has the address of one of them there."""
    groups: list[list[Piece]] = []
    end = 0
    for piece in sorted(placement.pieces, key=lambda each: each.segment.stored_run):
        run = piece.segment.stored_run
        if not groups or run.start >= end:
            groups.append([])
        groups[-1].append(piece)
        end = max(end, run.end)
    groups = [group for group in groups if len(group) > 1]
    if not groups:
        return set()
    # Words stay aligned where all segments are one after another, and are looked for in all of them at once.
    segments = [each for build in inspection.builds.values() for each in build.stored]
    parts = (bytes(each.run_address % 4) + each.data for each in segments)
    code = b"".join(part + bytes(-len(part) % 4) for part in parts)

    def is_held(piece: Piece) -> bool:
        seen = seen_by(inspection.layout, piece.address, placement.plan.core)
        return any(next(holders_of(start, code, 0), None) for start in {piece.segment.load_address, seen})

    return {each.address for group in groups if any(map(is_held, group)) for each in group}


def _not_copied(
    placement: Placement, piece: Piece, copied: list[Span], cleared: list[Span]
) -> Iterator[Span]:
    """The bytes of a piece, by run address, that are in no block; no padding, and no zeros that need none."""
    data = piece.segment.data
    run = Span(piece.segment.run_address, len(data))
    for rest in without([run], copied):
        zeros = not any(data[rest.start - run.start : rest.end - run.start])
        left = without([rest], [*cleared, *_kept(placement)]) if zeros else [rest]
        if any(
            not _is_padding(placement, each) and not (zeros and _is_room(placement, each)) for each in left
        ):
            yield rest


def _is_room(placement: Placement, rest: Span) -> bool:
    """Whether no object is in zeros, which a linker script or a linker may have set aside so."""
    symbols = placement.build.symbols
    return not symbols or not any(each.kind == "object" for each in symbols.objects_in(rest))


def _kept(placement: Placement) -> list[Span]:
    """The sections that no value is expected in at the start: heaps, stacks, and what keeps its content."""
    sections = placement.build.all_sections
    return [section.span for section in sections if named_as(KEPT, section.name)]


def _finding(placement: Placement, left: list[tuple[Piece, Span]], start: StartBlocks) -> Finding:
    plan, build = placement.plan, placement.build
    piece, rest = left[0]
    stored = rest.moved(piece.address - piece.segment.run_address)
    lines = dict.fromkeys(
        f"largest objects there: {symbols}" for _, each in left if (symbols := biggest_symbols(build, each))
    )
    others = [sized(each) for _, each in left[1:]]
    more = f" and {', '.join(others[:MAX_SHOWN])}" if others else ""
    more += f" and {counted(len(others) - MAX_SHOWN, 'more block')}" if len(others) > MAX_SHOWN else ""
    names = _sections_in(build, left)
    named = f"section {', '.join(names[:MAX_SHOWN])}, " if names else ""
    return Finding(
        f"build {plan.name} stores bytes for RAM that no known block of its start-up code copies",
        concerned(plan.name, plan.core),
        where=segment_words(build, piece.segment),
        found=f"{named}{sized(rest)}, stored at {format_address(stored.start)}, in no block that is copied{more}",
        expected="inside a block of the copy table or between the symbols of initialised data",
        span=stored,
        next_step=_NOTHING
        if start.written == ()
        else unused_words(start.unused, rest)
        or _zeros(build, names, left)
        or _orphans(build, names)
        or _next_step(placement, names, piece),
        lines=lines_in_short(list(lines), "block"),
        follows_from=(
            ("start-copies-stored-data", plan.name),
            ("reset-handler-in-code", plan.name),
            ("vector-table-not-blank", plan.name),
            ("addressed-constants-stored", plan.name),
            ("load-addresses-in-flash", segment_words(build, piece.segment)),
        ),
    )


def _zeros(build: Build, names: list[str], left: list[tuple[Piece, Span]]) -> str:
    """Which sections store nothing but zeros, and what to do about them; empty if any byte is another."""
    if any(any(build.read_at_run(rest.start, rest.size) or b"\1") for _, rest in left):
        return ""
    step = "mark it (NOLOAD) in the linker script and have it cleared, or place it in .bss"
    return f"{', '.join(names[:MAX_SHOWN])} holds nothing but zeros: {step}" if names else ""


def _orphans(build: Build, names: list[str]) -> str:
    """Which sections have the names that compilers give those of single objects, on their own."""
    kinds = {"data", *(section.name[1:] for section in build.all_sections if section.allocated)}
    of_kind = {name: name[: name.rindex(".")] for name in names if name.rfind(".") > 0}
    orphans = [name for name, kind in of_kind.items() if kind[1:] in kinds]
    if not orphans:
        return ""
    kind = of_kind[orphans[0]]
    return (
        f"place {', '.join(orphans[:MAX_SHOWN])} with the others of its kind in the linker script, *({kind} {kind}.*), "
        "inside of what is copied"
    )


def _sections_in(build: Build, left: list[tuple[Piece, Span]]) -> list[str]:
    """The names of the stored sections in what is left."""
    return [
        section.name
        for section in build.all_sections
        if section.allocated and section.stored and any(section.span.overlaps(rest) for _, rest in left)
    ]


_NOTHING = (
    "the code that the reset handler leads to initialises no RAM: call what copies and clears it before main"
)


RULE = Rule(
    name="initialised-data-copied",
    severity="warning",
    guards="device",
    checks="Each byte that a build stores in flash for a run address in RAM is in a block that its "
    "start-up code copies, by its copy table or the usual symbols, or in the block that the primary copies.",
    why="A section of initialised data or of code for RAM that was added to the linker script and "
    "forgotten in the copy table is in the image and never in RAM: the core finds there what was left at "
    "power-up. With a debugger, which loads RAM itself, all works.",
    remedy="Add the section to the copy table, or put it between the symbols of initialised data; if other "
    "code copies it, waive this rule for the build.",
    source="common practice (tables and symbols of start-up code, from memory)",
    absent="no build stores bytes for RAM and shows by symbols what it copies",
    check=check,
    of_elf=True,
)
