"""What an image file shows without a layout: its pieces, and what looks like a vector table."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from gemel.image.sparse import SparseBytes
from gemel.m_profile.memory_map import SRAM
from gemel.m_profile.vector_tables import possible_tables
from gemel.show.facts.contents import FilePiece, RecordFacts, VectorHint
from gemel.show.facts.used_bytes import BLANK_RUN, blank_runs
from gemel.spans import Address, Span, without

MAX_CODE_IN_RAM = 1 << 20
"""Handlers that are so many bytes apart, or more, are no code that was copied to RAM."""

MAX_HINTS = 16
"""More places than this are no help."""


def pieces_of(image: SparseBytes, records: Iterable[RecordFacts]) -> tuple[FilePiece, ...]:
    """The file cut, by address: builds and records that a record shows, blank stretches, other bytes."""
    sound = list(records)
    pieces = [FilePiece("record", "record", record.span) for record in sound]
    taken = [piece.span for piece in pieces]
    for build in (build for record in sound for build in record.builds):
        if image.holds(build.stored) and not any(build.stored.overlaps(span) for span in taken):
            pieces.append(FilePiece("build", build.name, build.stored))
            taken.append(build.stored)
    blanks = []
    for blank in blank_runs(image):
        for span in without([blank.span], taken):
            pieces.append(FilePiece("blank", f"all 0x{blank.byte:02X}", span))
            blanks.append(span)
    rest = without(image.spans(), [*taken, *blanks])
    pieces += [_rest_piece(image, span) for span in rest]
    return tuple(sorted(pieces, key=lambda piece: piece.span))


def _rest_piece(image: SparseBytes, span: Span) -> FilePiece:
    """Bytes that nothing is known of; a short blank stretch next to a known piece is reported as blank."""
    if span.size < BLANK_RUN:
        values = set(image.read(span, None))
        if len(values) == 1 and (byte := values.pop()) in (0x00, 0xFF):
            return FilePiece("blank", f"all 0x{byte:02X}", span)
    return FilePiece("bytes", "bytes", span)


def vector_hints(image: SparseBytes) -> tuple[VectorHint, ...]:
    """Up to ``MAX_HINTS`` places that look like a vector table, by address.

    Word 0 is a multiple of 8 in the SRAM region; words 1 to 3 (reset, NMI, HardFault) are odd and all
    point into the file, or all into RAM less than 1 MiB apart.
    """
    hints: list[VectorHint] = []
    runs = image.spans()
    for run in runs:
        for place, stack, handlers in possible_tables(image.read(run, None), run.start, handlers=3):
            if stack % 8 == 0 and SRAM.holds(stack) and (where := _where(handlers, runs)):
                hints.append(VectorHint(Address(place), Address(stack), Address(handlers[0]), where == "ram"))
                if len(hints) == MAX_HINTS:
                    return tuple(hints)
    return tuple(hints)


def _where(handlers: tuple[int, ...], runs: list[Span]) -> Literal["file", "ram", ""]:
    """Where all the handlers point: into the file, or into RAM within what may be code that was copied."""
    if all(any(run.holds(handler & ~1) for run in runs) for handler in handlers):
        return "file"
    near = max(handlers) - min(handlers) < MAX_CODE_IN_RAM
    return "ram" if near and all(SRAM.holds(handler) for handler in handlers) else ""
