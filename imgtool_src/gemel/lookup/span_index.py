"""Which of many spans holds an address, in a time that hardly grows with their number."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from heapq import heappop, heappush
from typing import Generic, TypeVar

from gemel.spans import Span

T = TypeVar("T")


class SpanIndex(Generic[T]):
    """Spans with a value each; where several hold an address, the first one given counts."""

    def __init__(self, pairs: Iterable[tuple[Span, T]]) -> None:
        waiting = sorted((span.start, number, span.end, value) for number, (span, value) in enumerate(pairs))
        self._edges = sorted({edge for start, _, end, _ in waiting for edge in (start, end)})
        self._values: list[T | None] = []
        held: list[tuple[int, int, T]] = []
        following = iter([*waiting, None])
        entry = next(following)
        for edge in self._edges:
            while entry and entry[0] == edge:
                heappush(held, entry[1:])
                entry = next(following)
            while held and held[0][1] <= edge:
                heappop(held)
            self._values.append(held[0][2] if held else None)

    def at(self, address: int) -> T | None:
        """The value of the span that holds ``address``; None where none does."""
        place = bisect_right(self._edges, address) - 1
        return self._values[place] if place >= 0 else None
