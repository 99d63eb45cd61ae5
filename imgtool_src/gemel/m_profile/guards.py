"""Whether an instruction is reached only after a test of what the core is or has in use.

A compiler's library and a scheduler hold instructions of extensions that a core may lack, and step over them
where a register says so: the processor's CONTROL register, the value in LR on exception entry (EXC_RETURN, whose
bit 4 says that no floating-point context was stacked), the coprocessor access register or an identification
register in the system control space.  What unwinds C++ exceptions restores what the frames name.
Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

import struct
from bisect import bisect_left
from collections.abc import Callable

from gemel.m_profile.halfwords import FIRST_WIDE
from gemel.structs import NamedTuple

TEST_REACH = 16
"""Instructions between a test of the core and the branch or IT that uses it, at most."""

_NEAR = 4 * TEST_REACH
"""Bytes that they take."""

SYSTEM_CONTROL_SPACE = range(0xE000_E000, 0xE000_F000)
"""Where the coprocessor access, floating-point and identification registers are."""

_NEVER_RETURNS = (0xE000, 0xF800)
"""Value and mask of an unconditional branch of 16 bits."""


_OF_UNWINDER = frozenset(
    struct.pack("<HHH", first, second, 0x4770)
    for first, second in (
        *((first, second) for first in (0xEC90, 0xEC80) for second in (0x0B20, 0x0B21)),
        (0xECD0, 0x0B20),
        (0xECC0, 0x0B20),
    )
)
"""VLDM or VSTM of d0-d15 or d16-d31 by r0 (FLDMX, FSTMX too), then BX LR: the routines of a compiler's library that
restore what the unwind tables of a thrown exception's frames name (EHABI32, section 10.3), and nothing else does."""


class _Step(NamedTuple):
    """One instruction: its offset, its first halfword and its second (0 if it has none)."""

    at: int
    first: int
    second: int


class Guards:
    """What of a function, or of a run of code, is conditional on a test of the core.

    Its first instruction is at offset ``first`` of ``code``, which is at the address ``start``; ``word_at`` gives the
    word at an address (None: not stored).  Each instruction is read once, up to the last that matters.
    """

    def __init__(self, code: bytes, first: int, start: int, word_at: Callable[[int], int | None]) -> None:
        self._code, self._next, self._start, self._word_at = code, first, start, word_at
        self._steps, self._since_test, self._in_block, self._ended = 0, TEST_REACH + 1, 0, False
        self._covered: set[int] = set()
        self._branches: list[int] = []
        self._reached: list[int] = []
        self._after_ends: set[int] = set()
        self._leading: dict[int, int] = {}

    def cover(self, at: int) -> bool:
        """Whether the instruction at offset ``at`` is conditional on a test of the core."""
        if self._code[at : at + 6] in _OF_UNWINDER:
            return True
        self._read(min(len(self._code), at + _NEAR))
        if at in self._covered:
            return True
        over = bisect_left(self._branches, at)
        if over and self._reached[over - 1] > at:
            return True
        return bool(self._leading) and any(
            target in self._after_ends and self._leading.get(target, at + _NEAR) < at + _NEAR
            for target in range(at, at - _NEAR, -2)
        )

    def _read(self, end: int) -> None:
        while self._next + 2 <= end:
            at, code = self._next, self._code
            half = code[at] | code[at + 1] << 8
            wide = half >= FIRST_WIDE and at + 4 <= len(code)
            self._take(_Step(at, half, code[at + 2] | code[at + 3] << 8 if wide else 0))
            self._next += 4 if wide else 2

    def _take(self, step: _Step) -> None:
        if self._ended:
            self._after_ends.add(step.at)
        if self._in_block:
            self._in_block -= 1
            self._covered.add(step.at)
        self._ended = _ends_stream(step)
        if self._since_test <= TEST_REACH:
            self._in_block = max(self._in_block, _block_size(step.first))
            target = _conditional_target(step)
            if target is not None:
                self._branches.append(step.at)
                self._reached.append(max([target, *self._reached[-1:]]))
                self._leading.setdefault(target, step.at)
        self._since_test = 1 if _tests_core(step, self._start, self._word_at) else self._since_test + 1


def _tests_core(step: _Step, start: int, word_at: Callable[[int], int | None]) -> bool:
    first, second = step.first, step.second
    if first == 0xF3EF and second & 0xF07F == 0x8014:  # MRS Rd, CONTROL (bit 7: CONTROL_NS)
        return True
    if first & 0xFBFF == 0xF01E and second & 0x8F00 == 0x0F00:  # TST.W LR, #...
        return True
    if first == 0xEA5F and second & 0xF03F == 0x000E:  # MOVS.W Rd, LR, shifted
        return True
    if first & 0xF800 == 0x4800:  # LDR Rt, literal
        word = word_at(((start + step.at + 4) & ~3) + 4 * (first & 0xFF))
    elif first in (0xF8DF, 0xF85F):  # LDR.W Rt, literal
        distance = second & 0xFFF
        word = word_at(((start + step.at + 4) & ~3) + (distance if first & 0x80 else -distance))
    elif first & 0xFBF0 == 0xF2C0 and second & 0x8000 == 0:  # MOVT Rd, #0xE000
        upper = (first & 0xF) << 12 | (first & 0x400) << 1 | (second & 0x7000) >> 4 | second & 0xFF
        word = upper << 16 | 0xE000 if upper == 0xE000 else None
    elif first & 0xFBEF == 0xF04F and second & 0xF0FF == 0x20E0:  # MOV.W Rd, #0xE000E000
        word = 0xE000_E000
    else:
        return False
    return word in SYSTEM_CONTROL_SPACE


def _block_size(first: int) -> int:
    """How many instructions an IT makes conditional; 0 for any other instruction."""
    if first & 0xFF00 != 0xBF00 or not first & 0xF or first >> 4 & 0xF == 0xE:
        return 0
    return 4 - ((first & -first).bit_length() - 1)


def _conditional_target(step: _Step) -> int | None:
    """Where a conditional branch leads, as an offset; None for any other instruction."""
    first, second = step.first, step.second
    if first & 0xF000 == 0xD000 and first >> 8 & 0xF < 0xE:
        distance = (first & 0xFF) << 1
        return step.at + 4 + (distance - 0x200 if distance & 0x100 else distance)
    if first & 0xF500 == 0xB100:  # CBZ, CBNZ
        return step.at + 4 + ((first & 0x200) >> 3 | (first & 0xF8) >> 2)
    if first & 0xF800 == 0xF000 and second & 0xD000 == 0x8000 and first >> 6 & 0xF < 0xE:  # B<c>.W
        distance = (first & 0x3F) << 12 | (second & 0x7FF) << 1
        distance |= (second & 0x2000) << 5 | (second & 0x800) << 8
        return step.at + 4 + (distance - (1 << 20) if first & 0x400 else distance)
    return None


def _ends_stream(step: _Step) -> bool:
    first, second = step.first, step.second
    value, mask = _NEVER_RETURNS
    returns = first == 0x4770 or first & 0xFF00 == 0xBD00 or (first == 0xE8BD and second & 0x8000)
    return first & mask == value or bool(returns) or (first & 0xF800 == 0xF000 and second & 0xD000 == 0x9000)
