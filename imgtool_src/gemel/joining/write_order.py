"""The order in which values are written into an image, from what each of them reads.

A checksum over bytes that a stamp writes must come after it; a digest over a checksum after that.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence

from gemel.errors import LayoutError, Problem
from gemel.spans import Span, overlapping
from gemel.structs import Struct


class Write(Struct):
    """One value to be written: its name, where it goes, what it reads and how its bytes are made.

    ``make`` gives ``place.size`` bytes or the problem that keeps it from doing so; it may raise GemelError.
    """

    name: str
    place: Span
    reads: Sequence[Span]
    make: Callable[[], bytes | Problem]


def in_order(writes: Sequence[Write]) -> list[Write]:
    """``writes`` so that each comes after all whose place it reads; otherwise in the given order.

    Raises LayoutError naming every pair of writes that share bytes and every circle that was met, except for
    circles among writes that share bytes, which are reported once these are apart.
    """
    sharing = [
        (first, second) for (_, first), (_, second) in overlapping((each.place, each) for each in writes)
    ]
    problems = [_shared(first, second) for first, second in sharing]
    ready, circles = _sorted(writes)
    reported = {each.name for pair in sharing for each in pair}  # of these a circle may be but the echo
    problems += [
        _circle(circle) for circle in circles if not reported.issuperset(each.name for each in circle)
    ]
    if problems:
        raise LayoutError(problems)
    return ready


def _sorted(writes: Sequence[Write]) -> tuple[list[Write], list[list[Write]]]:
    """The writes in order, and each circle as the writes along it, the first one again at its end."""
    needs = _needs(writes)
    ready: list[Write] = []
    done: set[int] = set()
    circles = []
    for first in range(len(writes)):
        trail = [first] if first not in done else []
        waiting = [iter(needs[first])]
        while trail:
            needed = next(waiting[-1], None)
            if needed is None:
                waiting.pop()
                done.add(trail[-1])
                ready.append(writes[trail.pop()])
            elif needed in trail:
                circles.append([writes[index] for index in [*trail[trail.index(needed) :], needed]])
            elif needed not in done:
                trail.append(needed)
                waiting.append(iter(needs[needed]))
    return ready, circles


def _needs(writes: Sequence[Write]) -> list[list[int]]:
    """For each write the numbers of those whose place it reads; places are taken to be apart."""
    by_address = sorted(range(len(writes)), key=lambda index: writes[index].place)
    starts = [writes[index].place.start for index in by_address]
    needs = []
    for write in writes:
        found: set[int] = set()
        for span in write.reads:
            first = max(0, bisect_right(starts, span.start) - 1)
            near = by_address[first : bisect_left(starts, span.end)]
            found.update(index for index in near if writes[index].place.overlaps(span))
        needs.append(sorted(found))
    return needs


def _circle(circle: list[Write]) -> Problem:
    names = " needs ".join(write.name for write in circle)
    if len(circle) == 2:
        what = f"{circle[0].name} covers its own place"
        hint = f"leave {circle[0].place} out of what it covers (except)"
    else:
        what = "these values depend on each other in a circle"
        hint = "leave the place of one of them out of what another one covers (except)"
    return Problem(
        what,
        where=circle[0].name,
        found=names,
        expected="an order in which each can be computed",
        next_step=hint,
    )


def _shared(first: Write, second: Write) -> Problem:
    return Problem(
        "two values are written to the same bytes",
        where=f"{first.name} and {second.name} in the layout",
        found=f"{first.name} {first.place}, {second.name} {second.place}",
        expected="separate places",
        next_step=f"give {second.name} a place of its own (at)",
    )
