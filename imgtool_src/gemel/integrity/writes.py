"""The order in which values are written into an image, from what each of them reads.

A checksum over bytes that a stamp writes must come after it; a digest over a checksum after that.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gemel.errors import LayoutError, Problem
from gemel.spans import Span


@dataclass(frozen=True, slots=True)
class Write:
    """One value to be written: its name, where it goes, what it reads and how its bytes are made."""

    name: str
    place: Span
    reads: Sequence[Span]
    make: Callable[[], bytes | Problem]


def in_order(writes: Sequence[Write]) -> list[Write]:
    """``writes`` so that each comes after all whose place it reads; otherwise in the given order.

    Raises LayoutError naming the circle when there is one, or the two writes that share bytes.
    """
    _refuse_shared_bytes(writes)
    ready: list[Write] = []
    state: dict[str, str] = {}

    def visit(write: Write, trail: list[Write]) -> None:
        if state.get(write.name) == "done":
            return
        if state.get(write.name) == "open":
            raise LayoutError(_circle([*trail[trail.index(write) :], write]))
        state[write.name] = "open"
        for other in writes:
            if any(other.place.overlaps(span) for span in write.reads):
                visit(other, [*trail, write])
        state[write.name] = "done"
        ready.append(write)

    for write in writes:
        visit(write, [])
    return ready


def _circle(circle: list[Write]) -> Problem:
    names = " needs ".join(write.name for write in circle)
    if len(circle) == 2:
        what = f"{circle[0].name} covers its own place"
        hint = f"leave {circle[0].place} out of what it covers (except)"
    else:
        what = "these values depend on each other in a circle"
        hint = "leave the place of one of them out of what another one covers (except)"
    return Problem(what, circle[0].name, names, "an order in which each can be computed", hint)


def _refuse_shared_bytes(writes: Sequence[Write]) -> None:
    problems = []
    by_address = sorted(writes, key=lambda write: write.place)
    for first, second in itertools.pairwise(by_address):
        if first.place.overlaps(second.place):
            found = f"{first.name} {first.place}, {second.name} {second.place}"
            problems.append(
                Problem("two values are written to the same bytes", second.name, found, "places apart")
            )
    if problems:
        raise LayoutError(problems)
