"""Rule ``start-copies-stored-data``: start-up code copies each block from where the image stores it."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.check.core_views import run_span
from gemel.check.rule import Finding, Outcome, Rule
from gemel.check.start_blocks import block_outcomes, block_place
from gemel.check.start_tables import StartEntry, copies_of
from gemel.check.subject import Subject
from gemel.check.wording import concerned, segment_words, sized
from gemel.join.placement import Piece, Placement
from gemel.layout.addresses import locate
from gemel.spans import Span


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome for each build whose symbols tell what its start-up code copies."""
    yield from block_outcomes(subject, copies_of, _findings, "copies")


def _findings(subject: Subject, placement: Placement, entry: StartEntry) -> Iterator[Finding]:
    met = False
    for piece in placement.pieces:
        segment = piece.segment
        shared = Span(segment.run_address, len(segment.data)).intersection(entry.span)
        if not shared.size:
            continue
        met = True
        stored = piece.address + shared.start - segment.run_address
        source = (entry.source or 0) + shared.start - entry.start
        if _plain(subject, placement, source) != stored:
            yield _elsewhere(subject, placement, entry, piece, Span(source, shared.size), stored)
    if not met:
        yield _nothing_stored(placement, entry)


def _plain(subject: Subject, placement: Placement, source: int) -> int | None:
    """The plain address in the image of what the core reads at ``source`` when it starts."""
    located = locate(subject.layout, source, placement.plan.core)
    if located is None:
        return None
    if placement.plan.runs_in and placement.placed:
        runs = run_span(subject, placement.placed)
        if runs.holds(located.plain):
            return placement.placed.stored.start + located.plain - runs.start
    return located.plain if located.memory.holds_image else None


def _parties(placement: Placement) -> tuple[str, ...]:
    return concerned(placement.plan.name, placement.plan.core)


def _elsewhere(
    subject: Subject, placement: Placement, entry: StartEntry, piece: Piece, source: Span, stored: int
) -> Finding:
    plan = placement.plan
    plain = _plain(subject, placement, source.start)
    there = "RAM, which holds nothing of it yet" if plain is None else "flash, but of other bytes"
    lines: tuple[str, ...] = (f"it belongs to {segment_words(placement.build, piece.segment)}",)
    if source.start == entry.start:
        lines = (*lines, "source and destination are the same: the address it runs at, not the one stored at")
    return Finding(
        f"start-up code of build {plan.name} copies its data from where it is not stored",
        concerned(*_parties(placement), plan.stored_in),
        block_place(placement, entry),
        f"from {sized(source)}, in {there}",
        f"from {Span(stored, source.size)}, where the image has it",
        Span(stored, source.size),
        "take the source from the load address of the section (LOADADDR in the linker script)",
        lines,
    )


def _nothing_stored(placement: Placement, entry: StartEntry) -> Finding:
    return Finding(
        f"start-up code of build {placement.plan.name} copies to where it has no initialised data",
        _parties(placement),
        block_place(placement, entry),
        f"to {sized(entry.span)}",
        "run addresses of bytes that the build stores",
    )


RULE = Rule(
    name="start-copies-stored-data",
    severity="error",
    checks="Each block of initialised data that start-up code copies to RAM, by the build's copy table or "
    "the usual symbols at its ends, is copied from the place at which the image stores those very bytes.",
    why="Start-up code copies whatever lies at the source. From a wrong one, variables and code in RAM "
    "start as other code or erased flash: constants are off, pointers lead anywhere, and the build fails "
    "long before or long after the place that is to blame.",
    remedy="Take source, start and end of each block from its section in the linker script: LOADADDR, ADDR "
    "and SIZEOF of the same section.",
    source="System V gABI, chapter 7, program header, p_vaddr and p_paddr; common practice (tables and "
    "symbols of start-up code, from memory)",
    absent="no build has symbols that tell what its start-up code copies",
    check=check,
)
