"""Finding the instructions in a stretch of code that a core lacks, fast enough for every byte of it.

In a stream of Thumb instructions the five highest bits of a halfword tell whether it is an instruction or
the first half of one (from 0b11101 on).  So one pass of a regular expression over the high bytes alone
walks the stream, and only first halfwords that could be something lacking are looked up in the table.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Set
from functools import cache
from typing import get_args

from gemel.m_profile.capabilities import Capability
from gemel.m_profile.halfwords import FIRST_WIDE
from gemel.m_profile.instruction_table import NARROW, OTHER_WIDE, WIDE, Encoding, encoding_of
from gemel.structs import NamedTuple

NEWEST: frozenset[Capability] = frozenset({"v8.1", "mve", "mve-fp"})
"""What the disassembler library does not know, or takes for instructions of other profiles."""

_CLEAR = ((0xEC00_0000, 0xEE00_0000, 0x0040_0000), (0xFE00_0000, 0xFF00_0000, 0x0040_0000))
"""Value and mask of loads and stores, and of operations that constants of logarithms read as; and bits that
are clear in (nearly all of) these where they are vector instructions."""


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
        self._suspicious_highs: dict[int, bool] = {}
        highs = b"".join(re.escape(bytes((high,))) for high in sorted({value >> 8 for value in self._narrow}))
        self._walk = re.compile(rb"[\xe8-\xff].|[" + highs + rb"]" if highs else rb"[\xe8-\xff].", re.DOTALL)

    def unfit(self, code: bytes) -> Iterator[Unfit]:
        """Each instruction in ``code`` that the core lacks, in order; ``code`` begins with an instruction."""
        lows, highs = code[0::2], code[1::2]
        suspicious, narrow = self._suspicious_highs, self._narrow
        for match in self._walk.finditer(highs):
            at = match.start()
            high = highs[at]
            first = high << 8 | lows[at]
            if first < FIRST_WIDE:
                if first in narrow:
                    yield Unfit(2 * at, 2, narrow[first])
                continue
            if high not in suspicious:
                suspicious[high] = self._suspicious(high)
            if suspicious[high]:
                word = first << 16 | highs[at + 1] << 8 | lows[at + 1]
                encoding = self.of_wide(word)
                if encoding is not None:
                    yield Unfit(2 * at, 4, encoding)

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

    def _suspicious(self, high: int) -> bool:
        """Whether any instruction whose first halfword has this high byte is lacking."""
        if OTHER_WIDE.needs[0] in self._lacking:
            return True
        return any(
            each.is_lacking(self._lacking) and (high << 24 ^ each.value) & each.mask & 0xFF00_0000 == 0
            for each in WIDE
        )


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
