"""The symbols of a build sorted by address: whose code or object holds one."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from itertools import accumulate

from gemel.builds.elf.symbol_entries import (
    ENTRY,
    ENTRY_SIZE,
    FUNCTION,
    OBJECT,
    UNDEFINED,
    Columns,
    Symbol,
    symbol_of,
)
from gemel.spans import Span

_FUNCTION_RANK = 4
_BINDING_RANKS = {1: 3, 2: 2, 0: 1}
_RANKS = [
    _FUNCTION_RANK * (info & 0xF == FUNCTION) + _BINDING_RANKS.get(info >> 4, 0) + 1
    if info & 0xF in (0, FUNCTION)
    else 0
    for info in range(0x100)
]
"""Which goes first of several at one address, by the binding and type of an entry: a function before a plain
label, global before weak before local, and otherwise the first in the file; 0 for what is no code."""


class FunctionIndex:
    """Functions and labels of code sorted by address.

    Works on the raw entries: of a large build's symbols only the few that are needed get a name.
    """

    __slots__ = (
        "_label_starts",
        "_labels",
        "_reach",
        "_sections",
        "_sized",
        "_sized_starts",
        "_strings",
        "_table",
    )

    def __init__(self, table: bytes, strings: bytes, columns: Columns, sections: Mapping[int, Span]) -> None:
        entries = [
            (value & ~1, rank, -number, size, tail >> 16)
            for number, name, value, size, tail in columns.rows()
            if (rank := _RANKS[tail & 0xFF])
            and tail >> 16 != UNDEFINED
            and strings[name : name + 1] not in (b"", b"\0")
        ]
        entries.sort()
        sized = [entry for entry in entries if entry[3] and entry[1] >= _FUNCTION_RANK]
        labels = [
            entry
            for entry in entries
            if not (entry[3] and entry[1] >= _FUNCTION_RANK) and entry[4] in sections
        ]
        self._table = table
        self._strings = strings
        self._sections = sections
        self._sized = sized
        self._sized_starts = [entry[0] for entry in sized]
        self._reach = list(accumulate([entry[0] + entry[3] for entry in sized], max))
        self._labels = labels
        self._label_starts = [entry[0] for entry in labels]

    def at(self, address: int) -> tuple[Symbol, int] | None:
        """See ``SymbolTable.function_at``; ``address`` is even."""
        nearest = at = bisect_right(self._sized_starts, address) - 1
        while at >= 0 and self._reach[at] > address:
            start, _, _, size, _ = self._sized[at]
            if start + size > address:
                return self._default_first(self._sized, at), address - start
            at -= 1
        at = bisect_right(self._label_starts, address) - 1
        if at >= 0 and (nearest < 0 or self._sized_starts[nearest] <= self._label_starts[at]):
            symbol = self._default_first(self._labels, at)
            if self._sections[symbol.section_index].holds(address):
                return symbol, address - self._label_starts[at]
        return None

    def _default_first(self, entries: Sequence[tuple[int, int, int, int, int]], at: int) -> Symbol:
        """The function of entry ``at``; of weak names for one address that of the default handler, if there is one.

        Start-up code in assembler makes every handler a weak alias of a default one, itself weak (common practice).
        """
        first = symbol = self._symbol(-entries[at][2])
        start = entries[at][0]
        while symbol.binding == "weak" and "default" not in symbol.name.lower():
            at -= 1
            if at < 0 or entries[at][0] != start:
                return first
            symbol = self._symbol(-entries[at][2])
        return symbol

    def _symbol(self, number: int) -> Symbol:
        return symbol_of(ENTRY.unpack_from(self._table, number * ENTRY_SIZE), self._strings)


class ObjectIndex:
    """Objects of known size sorted by address; only those that are needed get a name."""

    __slots__ = ("_entries", "_reach", "_starts", "_strings", "_table")

    def __init__(self, table: bytes, strings: bytes, columns: Columns) -> None:
        entries = [
            (value, size, number)
            for number, _, value, size, tail in columns.rows()
            if size and tail & 0xF == OBJECT and tail >> 16 != UNDEFINED
        ]
        entries.sort(key=lambda entry: (entry[0], -entry[1], -entry[2]))
        self._table, self._strings, self._entries = table, strings, entries
        self._starts = [entry[0] for entry in entries]
        self._reach = list(accumulate((start + size for start, size, _ in entries), max))

    def at(self, address: int) -> tuple[Symbol, int] | None:
        """See ``SymbolTable.object_at``."""
        at = bisect_right(self._starts, address) - 1
        while at >= 0 and self._reach[at] > address:
            start, size, number = self._entries[at]
            if start + size > address:
                return symbol_of(
                    ENTRY.unpack_from(self._table, number * ENTRY_SIZE), self._strings
                ), address - start
            at -= 1
        return None
