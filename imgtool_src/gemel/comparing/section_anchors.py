"""Code that reaches several variables by their distances from one address.

GCC does so for the variables of a file (``-fsection-anchors``, the default from -O1 on Arm).  Where one is added, the
distances to those after it change in every function, and none of these functions has changed.

Encodings: Armv7-M and Armv8-M Architecture Reference Manuals, LDR, STR, LDRD, STRD, VLDR, VSTR, ADD and SUB
(immediate), LDR (literal) (from memory); the tests compile code with them.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

from gemel.comparing.side import BY_BYTES, SymbolSide
from gemel.m_profile.instructions.halfwords import is_wide, modified_constant
from gemel.structs import NamedTuple

MAX_BASES = 64
"""Addresses that a function loads and that are looked at."""

_SCALES = {0x6: 4, 0x7: 1, 0x8: 2}
"""Bytes that one step of the 5-bit distance stands for, by the upper four bits of a 16-bit load or store."""

_SUMS = {0xF100: (1, True), 0xF1A0: (-1, True), 0xF200: (1, False), 0xF2A0: (-1, False)}
"""ADD, SUB, ADDW and SUBW: the sign, and whether the number is a modified immediate."""


class AnchoredAccess(NamedTuple):
    """An instruction with a distance in bytes; ``rest`` is the same for two that differ in nothing else."""

    rest: tuple[int, int]
    distance: int


class Base(NamedTuple):
    """An address that both versions of a function load at one place, and the halfwords that hold it."""

    old: int
    new: int
    held_in: frozenset[int]


class Anchors:
    """What two versions of a function, of one size, load addresses for, and which distances they add."""

    def __init__(self, old: SymbolSide, new: SymbolSide) -> None:
        self._old, self._new = old, new

    def explains(self, index: int) -> bool:
        """Whether a halfword differs only in the distance to a variable, or in the address that it counts from."""
        for start in (index, index - 1):
            if start in self._starts and (start == index or is_wide(self._old.halves[start])):
                if pair := self._distances(start):
                    return any(self._meets(base, pair) for base in self._bases)
                break
        bases = [base for base in self._bases if index in base.held_in]
        return bool(bases) and any(
            self._meets(base, pair) for pair in map(self._distances, self._starts) if pair for base in bases
        )

    def _meets(self, base: Base, distances: tuple[int, int]) -> bool:
        """Whether both versions reach the same symbol from a base."""
        one, other = (base.old + distances[0]) & 0xFFFF_FFFF, (base.new + distances[1]) & 0xFFFF_FFFF
        names = self._old.name_of(one) & self._new.name_of(other)
        return any(not name.startswith(BY_BYTES) for name in names)

    @cached_property
    def _starts(self) -> dict[int, None]:
        """Where both versions have an instruction of the same width, in order."""
        starts: dict[int, None] = {}
        at = 0
        while at < len(self._old.halves):
            starts[at] = None
            width = is_wide(self._old.halves[at])
            if width != is_wide(self._new.halves[at]):
                break
            at += 1 + width
        return starts

    def _distances(self, start: int) -> tuple[int, int] | None:
        """What both versions add in the instruction that begins with a halfword, if they differ in nothing else."""
        one = access_at(self._old.halves, start)
        other = access_at(self._new.halves, start) if one else None
        return (one.distance, other.distance) if one and other and one.rest == other.rest else None

    @cached_property
    def _bases(self) -> list[Base]:
        return [base for base, _ in zip(self._loaded(), range(MAX_BASES), strict=False)]

    def _loaded(self) -> Iterator[Base]:
        seen = set()
        for start in self._starts:
            first = self._old.halves[start]
            if not (first >> 11 == 0b01001 or first & 0xFF7F == 0xF85F or first & 0xFB70 == 0xF240):
                continue  # neither LDR (literal) nor MOVW nor MOVT
            word = literal_at(self._old, start)
            if word is not None and word == literal_at(self._new, start) and word not in seen:
                seen.add(word)
                held_in = frozenset((word // 2, word // 2 + 1))
                old, new = (
                    int.from_bytes(side.data[word : word + 4], "little") for side in (self._old, self._new)
                )
                yield Base(old, new, held_in)
            for one, other in zip(self._old.loaded(start), self._new.loaded(start), strict=False):
                if one.halves == other.halves:
                    yield Base(one.address, other.address, one.halves)


def literal_at(side: SymbolSide, index: int) -> int | None:
    """The byte of the symbol where the word is that the LDR at a halfword loads; None where there is no such word."""
    first = side.halves[index]
    if first >> 11 == 0b01001:
        distance = (first & 0xFF) * 4
    elif first & 0xFF7F == 0xF85F and index + 1 < len(side.halves):
        distance = (side.halves[index + 1] & 0xFFF) * (1 if first & 0x80 else -1)
    else:
        return None
    at = (side.start + 2 * index + 4 & ~3) + distance - side.start
    return at if 0 <= at <= len(side.data) - 4 and not at % 2 else None


def access_at(halves: tuple[int, ...], index: int) -> AnchoredAccess | None:
    """The distance in the instruction that begins with a halfword; None if it has none."""
    first = halves[index]
    if not is_wide(first):
        if scale := _SCALES.get(first >> 12):
            return AnchoredAccess((first & 0xF83F, 0), (first >> 6 & 31) * scale)
        if first >> 9 == 0b0001110:
            return AnchoredAccess((first & 0xFE3F, 0), first >> 6 & 7)
        if first >> 12 == 0b0011:
            return AnchoredAccess((first & 0xF700, 0), -(first & 0xFF) if first & 0x800 else first & 0xFF)
        return None
    if index + 1 >= len(halves):
        return None
    second = halves[index + 1]
    if first & 15 == 15:  # from the program counter
        return None
    if first & 0xFE80 == 0xF880:
        return AnchoredAccess((first & 0xFF7F, second & 0xF000), second & 0xFFF)
    if first & 0xFE80 == 0xF800 and second & 0x0F00 == 0x0C00:
        return AnchoredAccess((first, second & 0xF000), -(second & 0xFF))
    if first & 0xFF60 == 0xE940 or (first & 0xFF20 == 0xED00 and second & 0x0E00 == 0x0A00):
        distance = (second & 0xFF) * 4
        return AnchoredAccess((first & 0xFF7F, second & 0xFF00), distance if first & 0x80 else -distance)
    sum_of = _SUMS.get(first & 0xFBF0)
    if sum_of is None or second & 0x8000:
        return None
    sign, is_modified = sum_of
    number = (first >> 10 & 1) << 11 | (second >> 12 & 7) << 8 | second & 0xFF
    return AnchoredAccess(
        (first & 15, second & 0x0F00), sign * (modified_constant(number) if is_modified else number)
    )
