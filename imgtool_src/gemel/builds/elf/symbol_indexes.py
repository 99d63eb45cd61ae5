"""Functions and objects of a symbol table by address; read only where something is asked by address."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from itertools import accumulate
from operator import itemgetter

from gemel.builds.elf.symbol_entries import FUNCTION, OBJECT, UNDEFINED, SymbolColumns, name_at
from gemel.span_index import SpanIndex
from gemel.spans import ADDRESS_SPACE, Span

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
_WEAK = _RANKS[0x20], _RANKS[0x20 | FUNCTION]

_Code = tuple[int, int, int, int, int, int]
"""Address, rank, number from the end, size, section and name of code."""

SymbolsByPlace = SpanIndex[tuple[int, int]]
"""Where a symbol starts and its number in the table, by the addresses that it stands for."""


def functions_of(strings: bytes, columns: SymbolColumns, sections: Mapping[int, Span]) -> SymbolsByPlace:
    """Start and number of the functions and labels of code by address, as ``SymbolTable.function_at`` chooses them.

    Works on the raw entries: of a large build's symbols only the few that are needed get a name.
    """
    entries = [
        (value & ~1, rank, -number, size, tail >> 16, name)
        for number, name, value, size, tail in columns.rows()
        if (rank := _RANKS[tail & 0xFF])
        and tail >> 16 != UNDEFINED
        and strings[name : name + 1] not in (b"", b"\0")
    ]
    entries.sort()
    sized = [entry for entry in entries if entry[3] and entry[1] >= _FUNCTION_RANK]
    labels = [
        entry for entry in entries if not (entry[3] and entry[1] >= _FUNCTION_RANK) and entry[4] in sections
    ]
    found = [
        (start, _even(start + size), (start, -chosen[2]))
        for (start, _, _, size, _, _), chosen in zip(sized, _defaults(sized, strings), strict=True)
    ]
    # What no function covers belongs to the label before it, in its section, up to the next function or label.
    starts = [entry[0] for entry in sized]
    covered = [0, *accumulate((end for _, end, _ in found), max)]
    nexts = [*(entry[0] for entry in labels[1:]), ADDRESS_SPACE]
    for (start, *_), chosen, end in zip(labels, _defaults(labels, strings), nexts, strict=False):
        place, section = bisect_right(starts, start), sections[chosen[4]]
        begin = max(start, covered[place], _even(section.start))
        end = min(end, *starts[place : place + 1], _even(section.end))
        if begin < end:
            found.append((begin, end, (start, -chosen[2])))
    return SpanIndex(sorted(found, key=itemgetter(0)))


def _defaults(entries: Sequence[_Code], strings: bytes) -> Iterator[_Code]:
    """For each entry itself; for a weak name the last one at its address, up to it, that is not weak or a default.

    Start-up code in assembler makes every handler a weak alias of a default one, itself weak (common practice).
    """
    first: _Code | None = None
    for entry in entries:
        if first and first[0] != entry[0]:
            first = None
        if entry[1] not in _WEAK or "default" in name_at(strings, entry[5]).lower():
            first = entry
        yield first or entry


def _even(address: int) -> int:
    """The first even address from ``address`` on: code is looked up without the Thumb bit."""
    return address + 1 & ~1


def objects_of(columns: SymbolColumns) -> SymbolsByPlace:
    """Start and number of the objects of known size; of several at one address the smallest, the first in the file."""
    entries = [
        (value, -size, -number)
        for number, _, value, size, tail in columns.rows()
        if size and tail & 0xF == OBJECT and tail >> 16 != UNDEFINED
    ]
    entries.sort()
    return SpanIndex((value, value - size, (value, -number)) for value, size, number in entries)
