"""Where two readings of the same bytes differ."""

from __future__ import annotations

from itertools import pairwise

from gemel.release.read_back.readers import Runs
from gemel.spans import Span, format_address
from gemel.structs import NamedTuple


class Difference(NamedTuple):
    """The first place where bytes differ, in words."""

    address: int
    found: str
    expected: str


def first_difference(found: Runs, expected: Runs) -> Difference | None:
    """The first address at which ``found`` has another byte than ``expected``, or only one of them has one."""
    bounds = sorted({edge for start, data in (*found, *expected) for edge in (start, start + len(data))})
    ours, theirs = _Cursor(found), _Cursor(expected)
    for start, end in pairwise(bounds):
        one, two = ours.bytes_of(start, end), theirs.bytes_of(start, end)
        if one == two:
            continue
        if one is None or two is None:
            return Difference(start, _words(one, start, end), _words(two, start, end))
        at = next(index for index, pair in enumerate(zip(one, two, strict=True)) if pair[0] != pair[1])
        return Difference(start + at, f"0x{one[at]:02X}", f"0x{two[at]:02X}")
    return None


class _Cursor:
    """Runs that are read in ascending pieces."""

    def __init__(self, runs: Runs) -> None:
        self._runs, self._index = runs, 0

    def bytes_of(self, start: int, end: int) -> memoryview | None:
        """The bytes from ``start`` to ``end``, all in one run or in none: then None."""
        while self._index < len(self._runs):
            first, data = self._runs[self._index]
            if start < first + len(data):
                return memoryview(data)[start - first : end - first] if start >= first else None
            self._index += 1
        return None


def _words(piece: memoryview | None, start: int, end: int) -> str:
    if piece is None:
        return f"nothing at {Span(start, end - start)}"
    return f"0x{piece[0]:02X} at {format_address(start)} and {len(piece) - 1:,} bytes after it"
