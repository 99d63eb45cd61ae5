"""Symbols of two builds of one program paired, and what their addresses are called, so that they can be compared."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from operator import itemgetter

from gemel.builds.build import Build

SymbolRow = tuple[int, int, str, str]
"""Address, size in bytes, kind and name of a symbol."""

SymbolPair = tuple[SymbolRow | None, SymbolRow | None]
"""A symbol in the old and in the new build; None where that one lacks it."""

_COUNTED = re.compile(r"\.[0-9]+\Z")
"""What compilers add to the names of local variables and clones, counted through a file."""

LONGEST_TEXT, BYTES_COMPARED = 256, 16
"""Bytes that are looked at of what has no symbol: of a text up to its end, of anything else."""

_TEXT = re.compile(rb"[\t\n\r\x20-\x7E\x80-\xFF]*\0")


def paired_symbols(old: Build, new: Build) -> Iterator[SymbolPair]:
    """The defined functions and objects of known size, by name and kind, in the order of the new build's addresses.

    Several of one name, as local ones of several files, are paired by their order, and where one is added or removed
    among them by their sizes.
    """
    before, after = _by_name(old), _by_name(new)
    for name in dict.fromkeys([*after, *before]):
        yield from _paired(before.get(name, ()), after.get(name, ()))


def _by_name(build: Build) -> dict[tuple[str, str], list[SymbolRow]]:
    found: dict[tuple[str, str], list[SymbolRow]] = {}
    for row in sorted(build.symbols.place_rows() if build.symbols else (), key=itemgetter(0)):
        _, size, kind, name = row
        if size and kind in ("function", "object"):
            found.setdefault((_plain(name), kind), []).append(row)
    return found


def _plain(name: str) -> str:
    return _COUNTED.sub("", name) if "." in name else name


def _paired(old: Sequence[SymbolRow], new: Sequence[SymbolRow]) -> Iterator[SymbolPair]:
    if len(old) == len(new) or not old or not new:
        yield from zip_longest(old, new)
        return
    from difflib import SequenceMatcher

    sizes = [size for _, size, _, _ in old], [size for _, size, _, _ in new]
    at = to = 0
    for block in SequenceMatcher(None, *sizes, autojunk=False).get_matching_blocks():
        yield from zip_longest(old[at : block.a], new[to : block.b])
        at, to = block.a + block.size, block.b + block.size
        yield from zip(old[block.a : at], new[block.b : to], strict=True)


class PlaceNames:
    """The names of a build's run addresses: symbol and offset, label, or what is stored where neither is."""

    def __init__(self, build: Build) -> None:
        self._build = build
        self._labels: dict[int, set[str]] | None = None
        self._known: dict[int, frozenset[str]] = {}

    def at(self, address: int) -> frozenset[str]:
        """All names of an address, as in a pointer to it; none where the build takes no memory and has no label."""
        if address not in self._known:
            self._known[address] = frozenset(self._names(address))
        return self._known[address]

    def _names(self, address: int) -> Iterator[str]:
        for label in self._labels_at(address):
            yield f"label {label}"
        segment = self._build.segment_at_run(address)
        if segment is None:
            return
        if own := self._symbol_at(address):
            yield own
        elif address - segment.run_address < len(segment.data):
            start = address - segment.run_address
            data = segment.data[start : start + LONGEST_TEXT]
            text = _TEXT.match(data)
            yield f"bytes {text[0] if text else data[:BYTES_COMPARED]!r}"
            if pointed := self._symbol_at(int.from_bytes(data[:4], "little")):  # a table of addresses
                yield f"to {pointed}"

    def _symbol_at(self, address: int) -> str:
        symbols = self._build.symbols
        if symbols is None or self._build.segment_at_run(address) is None:
            return ""
        found = symbols.object_at(address) or symbols.function_at(address)
        return f"{_plain(found[0].name)}+{found[1]}:{address & 1}" if found else ""

    def _labels_at(self, address: int) -> set[str]:
        if self._labels is None:
            self._labels = {}
            for label in self._build.symbols.labels if self._build.symbols else ():
                self._labels.setdefault(label.value, set()).add(label.name)
        return self._labels.get(address, set())
