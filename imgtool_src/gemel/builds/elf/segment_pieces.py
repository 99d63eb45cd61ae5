"""What of a segment's memory the sections of its file take, so that a gap between two is nobody's.

A linker puts sections with nothing to store into one segment with what is less than a page below, and
the segment's memory (p_memsz) then reaches over whatever is between: the stack, as a rule, in front of
RAM that cores share.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable

from gemel.builds.elf.sections import SECTION_LIMIT
from gemel.builds.segment import Segment
from gemel.spans import Span, without
from gemel.structs import replace


def with_pieces(
    segments: list[Segment], sections: Iterable[Span], unstored: Iterable[Span] = ()
) -> list[Segment]:
    """``segments`` with their pieces by the run spans of allocated ``sections``.

    ``unstored`` are those of them that the file has no bytes for: what is in segments without bytes, so that
    another segment may be in a gap of theirs.  Of two such segments the smaller has a section that is inside of both:
    a linker that stores a section elsewhere begins a segment there, and goes on with the other after it.  A segment
    that no section is in, and one that runs as it is stored, are left as they are.  Every byte that a segment stores
    counts, whatever sections say, and so does what it clears after its last section: there a linker ends the segment,
    and a table that ends sooner leaves something out.
    """
    sorts = [
        (spans, [span.start for span in spans]) for spans in (_separated(sections), _separated(unstored))
    ]
    result, left = list(segments), 2 * SECTION_LIMIT  # segments may store bytes twice, and so share sections
    owned: set[int] = set()
    for number, segment in sorted(enumerate(segments), key=lambda each: each[1].run_span.size):
        whole = segment.run_span
        if segment.load_span == whole:
            continue
        bare = not segment.data and bool(sorts[1][0])
        spans, starts = sorts[bare]
        first = max(0, bisect_right(starts, whole.start) - 1)
        inside = spans[first : min(first + left, bisect_right(starts, whole.end - 1))]
        left -= len(inside)
        if bare:
            inside = [each for each in inside if each.start not in owned]
            owned.update([each.start for each in inside if whole.covers(each)])
        pieces = _pieces(segment, [common for each in inside if (common := each.intersection(whole)).size])
        if pieces not in ((), (whole,)):
            result[number] = replace(segment, pieces=pieces)
    return result


def _separated(sections: Iterable[Span]) -> list[Span]:
    """The sections by address; those that overlap, as overlays do, as one; those that only touch, apart."""
    result: list[Span] = []
    for span in sorted(span for span in sections if span.size):
        if result and span.start < result[-1].end:
            before = result.pop()
            span = Span.from_bounds(before.start, max(before.end, span.end))
        result.append(span)
    return result


def _pieces(segment: Segment, taken: list[Span]) -> tuple[Span, ...]:
    """``taken``, by address inside the segment, and what else of it counts; none if nothing is taken."""
    if not taken:
        return ()
    stored = Span(segment.run_address, len(segment.data))
    rest = Span.from_bounds(taken[-1].end, segment.run_span.end)
    return tuple(sorted([*taken, *without([stored, rest], taken)]))
