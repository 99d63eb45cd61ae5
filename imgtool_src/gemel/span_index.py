"""Which of many spans holds an address, in a time that hardly grows with their number."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable
from typing import Generic, TypeVar

T = TypeVar("T")


class SpanIndex(Generic[T]):
    """Spans with a value each; where several hold an address, the one that starts last, and of those the last given.

    ``edges`` are the addresses, sorted, from which on `at` gives what stands at their index in ``values``.
    """

    __slots__ = ("edges", "values")

    def __init__(self, entries: Iterable[tuple[int, int, T]]) -> None:
        """``entries`` are start, end (exclusive) and value, in the order of their starts."""
        edges: list[int] = []
        values: list[T | None] = []
        held: list[tuple[int, T | None]] = []

        def end_up_to(address: int) -> None:
            while held and held[-1][0] <= address:
                end, _ = held.pop()
                while held and held[-1][0] <= end:
                    held.pop()
                edges.append(end)
                values.append(held[-1][1] if held else None)

        for start, end, value in entries:
            if held and held[-1][0] <= start:
                end_up_to(start)
            held.append((end, value))
            edges.append(start)
            values.append(value)
        end_up_to(max((end for end, _ in held), default=0))
        self.edges, self.values = edges, values

    def at(self, address: int) -> T | None:
        """The value of the span that holds ``address``; None where none does."""
        place = bisect_right(self.edges, address) - 1
        return self.values[place] if place >= 0 else None


class Stretches(Generic[T]):
    """What is the same from one edge to the next, found out once for each stretch, when it is first needed."""

    __slots__ = ("_ask", "_edges", "_known")

    def __init__(self, edges: Iterable[int], ask: Callable[[int, int], T]) -> None:
        """``ask`` gives what holds from an edge to the next; the first stretch begins at 0, the last ends at 2**32."""
        self._edges = sorted({0, *edges})
        self._known: dict[int, T] = {}
        self._ask = ask

    def at(self, address: int) -> T:
        """What holds at ``address``."""
        edge = bisect_right(self._edges, address)
        if edge not in self._known:
            end = self._edges[edge] if edge < len(self._edges) else 1 << 32
            self._known[edge] = self._ask(self._edges[edge - 1], end)
        return self._known[edge]
