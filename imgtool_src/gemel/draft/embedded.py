"""Copies of one build inside another, known by the first words of the copied build's vector table.

Two builds have other bytes in common too: the head of a build id note is the same in all of them, and so are
library routines.  None of that makes a copy; an initial stack pointer with its reset handler does.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from gemel.draft.evidence import Evidence, HeldElsewhere
from gemel.inspection.embedded_copies import places_of_table
from gemel.spans import Span


def with_copies(all_seen: list[Evidence]) -> list[Evidence]:
    """The builds, those without a place in flash with the place where another one holds them, if any does."""
    return [
        Evidence(seen.build, kept) if seen.without_place and (kept := _kept(seen, all_seen)) else seen
        for seen in all_seen
    ]


def copies_in(holder: Evidence, seen: Evidence) -> list[Span]:
    """Where ``holder`` stores a copy of ``seen``, current or not: load addresses, from first byte to last."""
    return [span for span, _ in _found(holder, seen)]


def _kept(seen: Evidence, all_seen: list[Evidence]) -> HeldElsewhere | None:
    """The first copy whose bytes are the build's, else the first one at all."""
    found = [
        (not equal, HeldElsewhere(holder.name, span))
        for holder in all_seen
        if holder is not seen and not holder.without_place
        for span, equal in _found(holder, seen)
    ]
    return min(found, key=lambda each: each[0])[1] if found else None


def _found(holder: Evidence, seen: Evidence) -> Iterator[tuple[Span, bool]]:
    """Copies with whether all bytes of the segment with the vector table are there as the build has them."""
    if seen.vectors is None:
        return
    head = struct.pack("<II", seen.vectors.initial_stack, seen.vectors.reset)
    first = seen.first
    table = holder.vectors.run_address if holder.vectors else -1
    own = {holder.build.read_at_run(table, len(head)) or b""} if holder.vectors else ()
    before = seen.vectors.run_address - first.run_address
    extent = _extent(seen)
    for segment in holder.build.stored:
        for at in places_of_table(segment.data, head, [first.run_span], own):
            start = at - before
            if start >= 0 and segment.run_address + at != table:
                size = min(extent, len(segment.data) - start)
                equal = segment.data[start : start + len(first.data)] == first.data
                yield Span(segment.load_address + start, size), equal


def _extent(seen: Evidence) -> int:
    """Bytes from the segment with the vector table to the end of all that is stored with it."""
    first = seen.first
    if seen.block:
        return seen.block.end - first.run_address
    ends = [span.end for span in seen.stored if span.holds(first.load_address)]
    return max(ends, default=first.load_span.end) - first.load_address
