"""The bytes of a function or an object in one build, and what the addresses in them are called."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from functools import cached_property

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
