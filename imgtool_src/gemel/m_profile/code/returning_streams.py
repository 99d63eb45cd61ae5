"""Which streams of instructions may return, as they become known: what is after a call is reached only then."""

from __future__ import annotations

from bisect import bisect_right, insort


class ReturningStreams:
    """From which streams, by the offset of each, ways lead to a return, as they become known one after the other.

    ``waiting`` gets what is after a call once what it calls may return.
    """

    def __init__(self, waiting: list[int]) -> None:
        self._waiting = waiting
        self._starts: list[int] = []
        self._returning: set[int] = set()
        self._before: dict[int, list[int]] = {}
        self._calls: dict[int, list[tuple[int, int]]] = {}

    def begin(self, at: int) -> None:
        """Know of a stream; not of one without an instruction, which is a part of one that was there before."""
        insort(self._starts, at)

    def holding(self, at: int) -> int:
        """The stream in which an instruction was reached."""
        return self._starts[bisect_right(self._starts, at) - 1]

    def lead(self, source: int, target: int) -> None:
        """Know that a stream leads to another."""
        if target in self._returning:
            self.note_return(source)
        elif source != target:
            self._before.setdefault(target, []).append(source)

    def call(self, source: int, called: int | None, after: int) -> None:
        """Know of a call that ends a stream, of code elsewhere if ``called`` is None."""
        if called is None or called in self._returning:
            self._waiting.append(after)
            self.lead(source, after)
        else:
            self._calls.setdefault(called, []).append((source, after))

    def note_return(self, stream: int) -> None:
        """Know that a stream may return, and so what leads to it."""
        returning = [stream]
        while returning:
            each = returning.pop()
            if each in self._returning:
                continue
            self._returning.add(each)
            returning += self._before.pop(each, ())
            for source, after in self._calls.pop(each, ()):
                self._waiting.append(after)
                if after in self._returning:
                    returning.append(source)
                else:
                    self._before.setdefault(after, []).append(source)
