"""Where the sections of a placed build are stored, and the bytes between them that a linker filled in."""

from __future__ import annotations

from bisect import bisect_left, bisect_right

from gemel.placement.placing import Placement
from gemel.spans import Span, merge, without

MAX_PARTS = 1 << 16
"""Parts of sections in segments that are looked at; a build has some tens."""


def stored_parts(placement: Placement) -> tuple[list[Span], dict[int, int]] | None:
    """What sections cover of each stored piece, and the alignment of the section at the start of each.

    A piece without sections counts whole.  None where the parts are more than MAX_PARTS.
    """
    table = placement.build.sections
    sections = [each for each in table.all() if each.allocated and each.span.size] if table else []
    blocks = merge([each.span for each in sections])
    starts = [each.start for each in blocks]
    aligned = {each.span.start: each.alignment for each in sections}
    stored: list[Span] = []
    alignments: dict[int, int] = {}
    covered: dict[int, list[Span]] = {}
    for piece in placement.pieces:
        run = piece.segment.stored_run
        last = bisect_left(starts, run.end) - 1
        if last >= 0 and blocks[last].overlaps(run):
            covered.setdefault(piece.address - run.start, []).append(run)
        else:
            stored.append(piece.span)
    for distance, runs in covered.items():
        for run in merge(runs):
            for block in blocks[max(0, bisect_right(starts, run.start) - 1) : bisect_left(starts, run.end)]:
                part = block.intersection(run)
                if part.size:
                    stored.append(part.moved(distance))
                    alignments[stored[-1].start] = aligned.get(part.start, 1)
                if len(stored) > MAX_PARTS:
                    return None
    return stored, alignments


def gaps_between_sections(placement: Placement) -> list[Span]:
    """Stored bytes of no section, each of them one byte throughout: tools that read sections fill them as they like."""
    parts = stored_parts(placement) if placement.build.sections else None
    if parts is None:
        return []
    pieces = sorted(placement.pieces, key=lambda each: each.address)
    starts, found = [each.address for each in pieces], []
    for gap in without([each.span for each in pieces], parts[0]):
        for piece in pieces[bisect_right(starts, gap.start) - 1 : bisect_left(starts, gap.end)]:
            part = gap.intersection(piece.span)
            if _is_filled(memoryview(piece.segment.data)[part.start - piece.address :][: part.size]):
                found.append(part)
    return found


def _is_filled(data: memoryview) -> bool:
    return data[:-1] == data[1:]
