"""Finding the instructions in a stretch of code that a core lacks, fast enough for every byte of it.

In a stream of Thumb instructions the five highest bits of a halfword show whether it is an instruction or
the first half of one (from 0b11101 on).  So a regular expression walks the stream, and stops only where a first
halfword could be something lacking.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Set
from functools import cache, cached_property
from typing import get_args

from gemel.m_profile.capabilities import Capability
from gemel.m_profile.halfwords import FIRST_WIDE
from gemel.m_profile.instruction_table import NARROW, OTHER_WIDE, WIDE, Encoding, encoding_of, possible
from gemel.structs import NamedTuple

NEWEST: frozenset[Capability] = frozenset({"v8.1", "mve", "mve-fp"})
"""What the disassembler library does not know, or takes for instructions of other profiles."""

_CLEAR = ((0xEC00_0000, 0xEE00_0000, 0x0040_0000), (0xFE00_0000, 0xFF00_0000, 0x0040_0000))
"""Value and mask of loads and stores, and of operations that constants of logarithms read as; and bits that
are clear in (nearly all of) these where they are vector instructions."""

_EVERY_BYTE = frozenset(range(0x100))


class Unfit(NamedTuple):
    """One instruction that a core lacks: its offset in the code, its size in bytes, and what it is."""

    offset: int
    size: int
    encoding: Encoding


class Sieve:
    """Lets through only the instructions that need something of ``lacking``."""

    def __init__(self, lacking: Set[Capability]) -> None:
        self._lacking = lacking
        lacked = [each for each in NARROW if each.is_lacking(lacking)]
        self._narrow = {
            value: each
            for each in reversed(lacked)
            for high in range(FIRST_WIDE >> 8)
            if (high << 8 ^ each.value) & each.mask & 0xFF00 == 0
            for value in range(high << 8, (high + 1) << 8)
            if value & each.mask == each.value
        }
        self._wide: dict[int, tuple[tuple[int, int], ...]] = {}

    @cached_property
    def _walk(self) -> re.Pattern[bytes]:
        """Over pairs of bytes: what the core has, then (if there is one) an instruction that it may lack."""
        wide = range(FIRST_WIDE >> 8, 0x100)
        narrow = {value >> 8 for value in self._narrow}
        lacking = [each for each in WIDE if each.is_lacking(self._lacking)]
        firsts: dict[tuple[frozenset[int], frozenset[int]], list[int]] = {}
        for high in wide:
            firsts.setdefault(self._harmless(high, lacking), []).append(high)
        passed = [rb".[^" + _escaped([*wide, *narrow]) + rb"]"]
        for (lows, seconds), highs in firsts.items():
            if lows:
                passed.append(rb"[" + _escaped(lows) + rb"][" + _escaped(highs) + rb"]..")
            if seconds and len(lows) < 256:
                passed.append(rb".[" + _escaped(highs) + rb"].[" + _escaped(seconds) + rb"]")
        unsure = [high for (lows, _), highs in firsts.items() if len(lows) < 256 for high in highs]
        found = _escaped([*narrow, *unsure])
        return re.compile(
            rb"(?:" + rb"|".join(passed) + rb")*+" + (rb"(.[" + found + rb"])?" if found else b""), re.DOTALL
        )

    def unfit(self, code: bytes) -> Iterator[Unfit]:
        """Each instruction in ``code`` that the core lacks, in order; ``code`` begins with an instruction."""
        narrow, wide, end = self._narrow, self._wide, len(code) - 3
        find, at = self._walk.match, 0
        while (match := find(code, at)) and match.lastindex:
            at = match.start(1)
            first = code[at + 1] << 8 | code[at]
            if first < FIRST_WIDE:
                if first in narrow:
                    yield Unfit(at, 2, narrow[first])
                at += 2
                continue
            if at >= end:
                return
            candidates = wide.get(first)
            if candidates is None:
                candidates = wide[first] = self._lacking_from(first)
            second = code[at + 3] << 8 | code[at + 2]
            for value, mask in candidates:
                if second & mask == value:
                    encoding = self.of_wide(first << 16 | second)
                    if encoding is not None:
                        yield Unfit(at, 4, encoding)
                    break
            at += 4

    def of(self, instruction: bytes) -> Encoding | None:
        """What one instruction of 2 or 4 bytes is if the core lacks it; None if it has it."""
        first = int.from_bytes(instruction[:2], "little")
        if len(instruction) == 2:
            return self._narrow.get(first)
        return self.of_wide(first << 16 | int.from_bytes(instruction[2:], "little"))

    def of_wide(self, word: int) -> Encoding | None:
        """What a 32-bit instruction is if the core lacks it; None if it has it."""
        encoding = encoding_of(word >> 16, word & 0xFFFF)
        return encoding if encoding.is_lacking(self._lacking) else None

    def _harmless(self, high: int, lacking: list[Encoding]) -> tuple[frozenset[int], frozenset[int]]:
        """Of a first halfword with this high byte: the low bytes with which it begins nothing that is lacking.

        Then the high bytes of a second halfword that make nothing lacking of any of the others.
        """
        if OTHER_WIDE.needs[0] in self._lacking:
            return frozenset(), frozenset()
        beginning = [each for each in lacking if (high << 24 ^ each.value) & each.mask & 0xFF00_0000 == 0]
        return (
            _EVERY_BYTE.difference(
                *{_bytes_of(each.value >> 16 & 0xFF, each.mask >> 16 & 0xFF) for each in beginning}
            ),
            _EVERY_BYTE.difference(
                *{_bytes_of(each.value >> 8 & 0xFF, each.mask >> 8 & 0xFF) for each in beginning}
            ),
        )

    def _lacking_from(self, first: int) -> tuple[tuple[int, int], ...]:
        """Value and mask of the second halfword of what is lacking with this first one; others stand before some."""
        return tuple(
            (each.value & 0xFFFF, each.mask & 0xFFFF)
            for each in possible(first)
            if each.is_lacking(self._lacking)
        )


@cache
def _bytes_of(value: int, mask: int) -> frozenset[int]:
    """The bytes that have ``value`` in the bits of ``mask``."""
    return frozenset(byte for byte in range(0x100) if byte & mask == value)


def _escaped(highs: Iterable[int]) -> bytes:
    """What stands for these bytes in a set of a regular expression: runs, which compile faster than single bytes."""
    runs: list[list[int]] = []
    for high in sorted(highs):
        if runs and high == runs[-1][1] + 1:
            runs[-1][1] = high
        else:
            runs.append([high, high])
    return b"".join(b"\\x%02x-\\x%02x" % (first, last) for first, last in runs)


def is_beyond_disassembler(instruction: bytes) -> bool:
    """Whether an instruction is one of those of which the disassembler library knows few.

    These are what Armv8.1-M and its vector extension added, and MCR, MRC and CDP for a device's coprocessor.
    """
    if len(instruction) != 4:
        return False
    word = int.from_bytes(instruction[:2], "little") << 16 | int.from_bytes(instruction[2:], "little")
    encoding = _everything().of_wide(word)
    if encoding is None or not NEWEST & set(encoding.needs):
        return word & 0xFF00_0800 == 0xEE00_0000
    # There are eight vector registers, where other profiles encode up to 32 registers.
    return not any(word & mask == value and word & none for value, mask, none in _CLEAR)


@cache
def _everything() -> Sieve:
    return Sieve(frozenset(get_args(Capability)))
