"""Segments of one build that contradict each other, in what they store or in the memory they use.

Both searches go through the segments in order of address.  The one that reached furthest so far covers
all that any earlier one can share with the next, so one comparison for each segment finds every
contradiction.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Set

from gemel.builds.segment import Segment
from gemel.errors import Problem
from gemel.image.sparse import first_difference
from gemel.spans import Span, format_address, shared_parts

NAMES, NAMED = 4, 20
"""Sections that a problem names, and problems of one file that name any; those after them are only counted."""


def load_overlaps(
    segments: list[Segment], file: str
) -> tuple[list[Problem], list[Problem], set[frozenset[int]]]:
    """Contradictions between stored bytes, remarks on equal ones, and the pairs that are settled so.

    ``segments`` come in order of load address.  A settled pair (of indexes) runs as far apart as it is
    stored, so that its overlap at run time is no news.
    """
    problems: list[Problem] = []
    remarks: list[Problem] = []
    settled: set[frozenset[int]] = set()
    furthest: Segment | None = None
    for segment in segments:
        if not segment.data:
            continue
        shared = furthest.load_span.intersection(segment.load_span) if furthest else Span(0, 0)
        if furthest and shared.size:
            held, new = _cut(furthest, shared), _cut(segment, shared)
            difference = first_difference(held, new)
            where = f"{file}, segments {furthest.index} and {segment.index}"
            if difference is None:
                remarks.append(
                    Problem(
                        "two segments store the same bytes at the same addresses",
                        where=where,
                        found=str(shared),
                    )
                )
            else:
                problems.append(_contradiction(where, held, new, difference, shared))
            if _displacement(furthest) == _displacement(segment):
                settled.add(frozenset((furthest.index, segment.index)))
        if furthest is None or segment.load_span.end > furthest.load_span.end:
            furthest = segment
    return problems, remarks, settled


def _contradiction(where: str, held: memoryview, new: memoryview, difference: int, shared: Span) -> Problem:
    return Problem(
        "two segments store different bytes at the same addresses",
        where=where,
        found=f"0x{held[difference]:02X} and 0x{new[difference]:02X} at "
        f"{format_address(shared.start + difference)}, overlap {shared}",
        expected="load addresses that do not overlap",
        next_step="correct the load addresses (AT) in the linker script",
    )


def _displacement(segment: Segment) -> int:
    return segment.run_address - segment.load_address


def _cut(segment: Segment, span: Span) -> memoryview:
    start = span.start - segment.load_address
    return memoryview(segment.data)[start : start + span.size]


def are_overlays(one: Segment, other: Segment) -> bool:
    """Whether two segments that share memory at run time are alternatives there."""
    both_stored = bool(one.data and other.data) and not one.load_span.overlaps(other.load_span)
    return one.run_address == other.run_address and (both_stored or not (one.data or other.data))


def _is_one_reserve(one: Segment, other: Segment, overlays: Set[int]) -> bool:
    """Whether what two segments share is memory without stored bytes, stated twice, as objcopy -R leaves it.

    Or the second has sections without bytes that take turns, of which the first one's end is another.
    """
    shared = one.run_span.intersection(other.run_span)
    is_stated_twice = _displacement(one) == _displacement(other) or other.run_address in overlays
    return is_stated_twice and not any(each.stored_run.overlaps(shared) for each in (one, other))


def _share_pieces(one: Segment, other: Segment) -> bool:
    """Whether sections show that two segments share memory, not only that one reaches over a gap of the other."""
    if not one.pieces and not other.pieces:
        return True
    mine, theirs = one.pieces or (one.run_span,), other.pieces or (other.run_span,)
    return any(True for _ in shared_parts(mine, theirs))


def run_overlaps(
    segments: list[Segment],
    settled: set[frozenset[int]],
    file: str,
    cause_of: Callable[[Segment], str] = lambda _: "",
    names_in: Callable[[Span], list[str]] = lambda _: [],
    overlays: Set[int] = frozenset(),
) -> list[Problem]:
    """Segments that take the same memory at run time, without the pairs that are ``settled`` and overlays.

    ``cause_of`` says of a segment what may be wrong with it, ``names_in`` which sections a span holds.  At the
    addresses ``overlays`` begin several sections without bytes.
    Overlays begin at one run address and are stored apart from each other, to be copied there in turn.
    """
    problems: list[Problem] = []
    furthest: Segment | None = None
    for segment in sorted(segments, key=lambda segment: (segment.run_address, segment.index)):
        if (
            furthest
            and furthest.run_span.overlaps(segment.run_span)
            and frozenset((furthest.index, segment.index)) not in settled
            and not are_overlays(furthest, segment)
            and not _is_one_reserve(furthest, segment, overlays)
            and _share_pieces(furthest, segment)
        ):
            shared = furthest.run_span.intersection(segment.run_span)
            named = len(problems) < NAMED
            names = names_in(shared)[:NAMES] if named else []
            problems.append(
                Problem(
                    "two segments take the same memory at run time",
                    where=f"{file}, segments {furthest.index} and {segment.index}"
                    + (f" (sections {', '.join(names)})" if len(names) > 1 else ""),
                    found=str(shared),
                    expected="run addresses that do not overlap",
                    next_step=(named and (cause_of(furthest) or cause_of(segment)))
                    or "correct the addresses in the linker script; overlays begin at one run address",
                )
            )
        if furthest is None or segment.run_span.end > furthest.run_span.end:
            furthest = segment
    return problems


def overlay_starts(reserved: list[tuple[Span, int]]) -> frozenset[int]:
    """Where several of these sections without stored bytes, each with its number, begin: they take turns."""
    starts = Counter(span.start for span, _ in reserved)
    return frozenset(start for start, count in starts.items() if count > 1)


def reserve_overlaps(
    reserved: list[tuple[Span, int]], file: str, name_of: Callable[[int], str]
) -> Iterator[Problem]:
    """Sections without stored bytes that take the same memory, each with its number; overlays are left out.

    Of overlays two or more begin at one address, and others may begin inside of these, but not .bss.  What is named
    as heap or stack is left to the rules about these.
    """
    overlays = overlay_starts(reserved)
    furthest: tuple[Span, int] | None = None
    for each in sorted(reserved):
        if furthest and furthest[0].overlaps(each[0]):
            names = [name_of(number) for _, number in (furthest, each)]
            is_one = furthest[0].start in overlays and (names[1] != ".bss" or each[0].start in overlays)
            if not is_one and not any(word in name for name in names for word in ("heap", "stack")):
                yield Problem(
                    "two sections take the same memory at run time",
                    where=f"{file}, sections {' and '.join(names)}",
                    found=str(furthest[0].intersection(each[0])),
                    expected="run addresses that do not overlap",
                    next_step=f"correct the address of section {names[1]} or {names[0]} in the linker script; "
                    "overlays begin at one run address",
                )
        if furthest is None or each[0].end > furthest[0].end:
            furthest = each
