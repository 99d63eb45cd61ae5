"""Whether the bytes of a function or an object are what they were, but for addresses of things that moved."""

from __future__ import annotations

import struct
from collections.abc import Callable

from gemel.m_profile.flow import far_distance
from gemel.m_profile.halfwords import is_wide

NameOf = Callable[[int], frozenset[str]]
"""What a run address of one build is called; empty where it has no name."""

NONE: frozenset[str] = frozenset()

MAX_DIFFERENT = 4096
"""Differing halfwords that are looked at; a symbol with more of them is changed."""

_REACH = 8
"""Halfwords between the two instructions that load one address in two halves, at most."""


class Side:
    """The bytes of a symbol in one build: where they are, and what the build's addresses are called."""

    def __init__(self, data: bytes, start: int, name_of: NameOf) -> None:
        self.start, self.name_of = start, name_of
        self.data = data
        self.halves: tuple[int, ...] = struct.unpack(f"<{len(data) // 2}H", data[: len(data) & ~1])

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
        return self.name_of(self.start + 2 * index + 4 + far_distance(first, second))

    def loaded_name(self, index: int) -> frozenset[str]:
        """What the address names of which a MOVW or MOVT loads one half.

        The other half is near, into the same register; of several near ones each may be meant.
        """
        if not 0 <= index < len(self.halves) - 1 or not self._is_move(index):
            return NONE
        register, top = self.halves[index + 1] >> 8 & 15, self.halves[index] & 0x80
        names = NONE
        for other in range(max(0, index - _REACH), min(len(self.halves) - 1, index + _REACH)):
            if (
                self._is_move(other)
                and self.halves[other] & 0x80 != top
                and self.halves[other + 1] >> 8 & 15 == register
            ):
                high, low = (index, other) if top else (other, index)
                names |= self.name_of(self._immediate(high) << 16 | self._immediate(low))
        return names

    def _is_move(self, index: int) -> bool:
        return self.halves[index] & 0xFB70 == 0xF240 and not self.halves[index + 1] & 0x8000

    def _immediate(self, index: int) -> int:
        first, second = self.halves[index], self.halves[index + 1]
        return (first & 15) << 12 | (first >> 10 & 1) << 11 | (second >> 12 & 7) << 8 | second & 0xFF


def same_but_for_addresses(old: Side, new: Side) -> bool:
    """Whether two symbols of one size differ in nothing but addresses of what has the same name in both builds.

    Looked through: words that point, branches with 32 bits, and addresses loaded in two halves.
    """
    if len(old.data) != len(new.data):
        return False
    if old.data == new.data:
        return True
    differing = [
        index for index, (one, other) in enumerate(zip(old.halves, new.halves, strict=True)) if one != other
    ]
    odd = old.data[-1:] != new.data[-1:] if len(old.data) % 2 else False
    if odd or len(differing) > MAX_DIFFERENT:
        return False
    return all(_is_address(old, new, index) for index in differing)


def _is_address(old: Side, new: Side, index: int) -> bool:
    if old.word_name(index) & new.word_name(index):
        return True
    for first in (index, index - 1):
        if first >= 0 and is_wide(old.halves[first]) and is_wide(new.halves[first]):
            for name in (Side.branch_name, Side.loaded_name):
                if name(old, first) & name(new, first):
                    return True
    return False
