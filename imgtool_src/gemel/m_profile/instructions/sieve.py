"""Finding the instructions in a stretch of code that a core lacks, fast enough for every byte of it.

Each byte of an instruction has a mask of eight bits, one for each group of encodings; where the four masks of two
halfwords have a bit in common, something lacking may begin.  This is looked up for all halfwords at once, in
whole numbers of as many bytes.  In a stream of Thumb instructions the five highest bits of a halfword show
whether it is an instruction or the first half of one (from 0b11101 on), so whether a halfword begins an instruction
is known from those before it alone, back to the last that cannot be a first half.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Set
from functools import cache, cached_property
from typing import get_args

from gemel.m_profile.capabilities import Capability
from gemel.m_profile.instructions.halfwords import FIRST_WIDE
from gemel.m_profile.instructions.instruction_table import NARROW, OTHER_WIDE, WIDE, Encoding, encoding_of
from gemel.spans import offsets_of
from gemel.structs import NamedTuple

NEWEST: frozenset[Capability] = frozenset({"v8.1", "mve", "mve-fp"})
"""What the disassembler library does not know, or takes for instructions of other profiles."""

_CLEAR = ((0xEC00_0000, 0xEE00_0000, 0x0040_0000), (0xFE00_0000, 0xFF00_0000, 0x0040_0000))
"""Value and mask of loads and stores, and of operations that constants of logarithms read as; and bits that
are clear in (nearly all of) these where they are vector instructions."""

_FIRST_WIDE = FIRST_WIDE >> 8
_WIDE = bytes(0xFF * (high >= _FIRST_WIDE) for high in range(0x100))
_ANY = b"\0" + b"\xff" * 0xFF

_COPROCESSOR = (*range(0xEC, 0xF0), *range(0xFC, 0x100))
_GROUPS = (
    ((0xE8, 0xE9), 0, 0),
    ((0xEA, 0xEB), 0, 0),
    (_COPROCESSOR, 0x0A, 0x0E),  # floating point
    (_COPROCESSOR, 0, 0),
    (range(0xF0, 0xF8), 0, 0x80),
    (range(0xF0, 0xF8), 0x80, 0x80),
    ((0xF8, 0xF9, 0xFA), 0, 0),
    ((0xFB,), 0, 0),
)
"""High bytes of a first halfword, then value and mask of that of the second.  Encodings of one group are alike: few
instructions have the bytes of several of them."""


class Unfit(NamedTuple):
    """One instruction that a core lacks: its offset in the code, its size in bytes, and what it is."""

    offset: int
    size: int
    encoding: Encoding


class Sieve:
    """Lets through only the instructions that need something of ``lacking``."""

    def __init__(self, lacking: Set[Capability]) -> None:
        self._lacking = lacking
        self._known: dict[bytes, Encoding | None] = {}
        self._has_few = OTHER_WIDE.needs[0] in lacking
        lacked = [each for each in NARROW if each.is_lacking(lacking)]
        self._narrow = {
            value: each
            for each in reversed(lacked)
            for high in range(_FIRST_WIDE)
            if (high << 8 ^ each.value) & each.mask & 0xFF00 == 0
            for value in range(high << 8, (high + 1) << 8)
            if value & each.mask == each.value
        }

    @cached_property
    def _narrow_masks(self) -> tuple[bytes, bytes]:
        """Of the high and the low byte of a 16-bit instruction; they have a bit in common in all that is lacking."""
        highs, lows = bytearray(0x100), bytearray(0x100)
        for value in self._narrow:
            group = 1 << value // 0x100 % 8
            highs[value >> 8] |= group
            lows[value & 0xFF] |= group
        return bytes(highs), bytes(lows)

    @cached_property
    def _masks(self) -> tuple[bytes, ...]:
        """Of each byte of a 32-bit instruction, high bytes first.

        They have a bit in common in all that is lacking; for a core that has few of them, in most of those that it has.
        """
        lacking = [each for each in WIDE if each.is_lacking(self._lacking)]
        tables = [0, 0, 0, 0]
        if self._has_few:
            own = sorted(
                [each for each in WIDE if each not in lacking], key=lambda each: each.mask.bit_count()
            )
            for group, each in enumerate(own[: len(_GROUPS)]):
                for index, values in enumerate(_bytes_of(each)):
                    tables[index] |= values << group
        else:
            for group, (firsts, seconds) in enumerate(_bytes_of_groups()):
                for first, first_low, second, low in map(_bytes_of, lacking):
                    if first & firsts and second & seconds:
                        for index, values in enumerate((first & firsts, first_low, second & seconds, low)):
                            tables[index] |= values << group
        return tuple(table.to_bytes(0x100, "little") for table in tables)

    def unfit(self, code: bytes) -> Iterator[Unfit]:
        """Each instruction in ``code`` that the core lacks, in order; ``code`` begins with an instruction."""
        last, begins = 0, True
        for at in self._likely(code):
            start = at
            while start > last and code[start - 1] >= _FIRST_WIDE:
                start -= 2
            begins = (at - start) % 4 == (0 if begins or start > last else 2)
            last = at
            if begins:
                instruction = code[at : at + (4 if code[at + 1] >= _FIRST_WIDE else 2)]
                if instruction not in self._known:
                    self._known[instruction] = self.of(instruction)
                if encoding := self._known[instruction]:
                    yield Unfit(at, len(instruction), encoding)

    def _likely(self, code: bytes) -> Iterator[int]:
        """Offsets in ``code`` where something lacking may begin, if an instruction begins there."""
        first, first_low, second, second_low = self._masks
        highs = code[1::2]
        lows = code[: 2 * len(highs) : 2]
        wide = _number(highs, _WIDE)
        found = _number(highs, first) & _number(lows, first_low)
        found &= (_number(highs, second) & _number(lows, second_low)) >> 8
        if self._has_few:
            found = wide ^ (wide & _number(found.to_bytes(len(highs), "little"), _ANY))
        surely_begin = wide ^ (wide & wide << 8)
        found ^= found & surely_begin << 8
        narrow, narrow_low = self._narrow_masks
        found |= _number(highs, narrow) & _number(lows, narrow_low)
        places = found.to_bytes(len(highs), "little").translate(_ANY)
        return (2 * at for at in offsets_of(b"\xff", places))

    def of(self, instruction: bytes) -> Encoding | None:
        """What one instruction is if the core lacks it; None if it has it, or if it is cut.

        ``instruction`` has 2 bytes, or 4 if it is a 32-bit one.
        """
        first = int.from_bytes(instruction[:2], "little")
        if len(instruction) == 2:
            return self._narrow.get(first)
        return self.of_wide(first << 16 | int.from_bytes(instruction[2:], "little"))

    def of_wide(self, word: int) -> Encoding | None:
        """What a 32-bit instruction is if the core lacks it; None if it has it."""
        encoding = encoding_of(word >> 16, word & 0xFFFF)
        return encoding if encoding.is_lacking(self._lacking) else None


def _number(data: bytes, masks: bytes) -> int:
    """``data`` with each byte's mask in its place, as one number."""
    return int.from_bytes(data.translate(masks), "little")


@cache
def _bytes_of(encoding: Encoding) -> tuple[int, ...]:
    """Which values each byte of an encoding has, high bytes first: numbers whose byte 1 is 1 if it can be 1."""
    return tuple(
        _byte(encoding.value >> shift & 0xFF, encoding.mask >> shift & 0xFF) for shift in (24, 16, 8, 0)
    )


@cache
def _bytes_of_groups() -> tuple[tuple[int, int], ...]:
    return tuple((_values(highs), _byte(value, mask)) for highs, value, mask in _GROUPS)


@cache
def _byte(value: int, mask: int) -> int:
    """The values of a byte that have ``value`` in the bits of ``mask``."""
    return _values(byte for byte in range(0x100) if byte & mask == value)


def _values(values: Iterable[int]) -> int:
    return sum([1 << 8 * value for value in values])


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
