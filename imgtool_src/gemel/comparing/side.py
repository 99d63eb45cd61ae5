"""The bytes of a function or an object in one build, and what the addresses in them are called."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property
from itertools import zip_longest
from operator import itemgetter

from gemel.builds.build import Build
from gemel.m_profile.instructions.halfwords import call_distance
from gemel.structs import NamedTuple

NameOf = Callable[[int], frozenset[str]]
"""What a run address of one build is called; empty where it has no name."""

BY_BYTES = ("bytes ", "to ")
"""How the names begin of what has no symbol, by what is stored there."""

NONE: frozenset[str] = frozenset()

_REACH = 8
"""Halfwords between the two instructions that load one address in two halves, at most."""


class LoadedAddress(NamedTuple):
    """An address that code puts together, and the numbers of the halfwords that do so."""

    address: int
    halves: frozenset[int]


class SymbolSide:
    """The bytes of a symbol in one build: where they are, and what the build's addresses are called."""

    def __init__(self, data: bytes, start: int, name_of: NameOf) -> None:
        self.start, self.name_of = start, name_of
        self.data = data

    @cached_property
    def halves(self) -> tuple[int, ...]:
        """The halfwords; an odd last byte is left out."""
        return struct.unpack(f"<{len(self.data) // 2}H", self.data[: len(self.data) & ~1])

    def word_name(self, index: int) -> frozenset[str]:
        """What the aligned word around a halfword names, as a pointer."""
        at = (self.start + 2 * index & ~3) - self.start
        return (
            self.name_of(int.from_bytes(self.data[at : at + 4], "little"))
            if 0 <= at <= len(self.data) - 4
            else NONE
        )

    def branch_name(self, index: int) -> frozenset[str]:
        """What the 32-bit branch that begins with a halfword leads to."""
        if not 0 <= index < len(self.halves) - 1:
            return NONE
        first, second = self.halves[index], self.halves[index + 1]
        if first >> 11 != 0b11110 or second & 0x9000 != 0x9000:
            return NONE
        return self.name_of(self.start + 2 * index + 4 + call_distance(first, second))

    def loaded_name(self, index: int) -> frozenset[str]:
        """What the address names of which a MOVW or MOVT loads one half."""
        return NONE.union(*(self.name_of(each.address) for each in self.loaded(index)))

    def loaded(self, index: int) -> Iterator[LoadedAddress]:
        """What a MOVW or MOVT loads one half of.

        The other half is near, into the same register; of several near ones each may be meant.
        """
        if not 0 <= index < len(self.halves) - 1 or not self._is_move(index):
            return
        register, top = self.halves[index + 1] >> 8 & 15, self.halves[index] & 0x80
        for other in range(max(0, index - _REACH), min(len(self.halves) - 1, index + _REACH)):
            if (
                self._is_move(other)
                and self.halves[other] & 0x80 != top
                and self.halves[other + 1] >> 8 & 15 == register
            ):
                high, low = (index, other) if top else (other, index)
                address = self._immediate(high) << 16 | self._immediate(low)
                yield LoadedAddress(address, frozenset((high, high + 1, low, low + 1)))

    def _is_move(self, index: int) -> bool:
        return self.halves[index] & 0xFB70 == 0xF240 and not self.halves[index + 1] & 0x8000

    def _immediate(self, index: int) -> int:
        first, second = self.halves[index], self.halves[index + 1]
        return (first & 15) << 12 | (first >> 10 & 1) << 11 | (second >> 12 & 7) << 8 | second & 0xFF


SymbolRow = tuple[int, int, str, str]
"""Address, size in bytes, kind and name of a symbol."""

SymbolPair = tuple[SymbolRow | None, SymbolRow | None]
"""A symbol in the old and in the new build; None where that one lacks it."""

_COUNTED = re.compile(r"\.[0-9]+\Z")
"""What compilers add to the names of local variables and clones, counted through a file."""

MAX_TEXT, MAX_COMPARED = 256, 16
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
            data = segment.data[start : start + MAX_TEXT]
            text = _TEXT.match(data)
            yield f"bytes {text[0] if text else data[:MAX_COMPARED]!r}"
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
