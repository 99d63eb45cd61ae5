"""The 32-bit instruction that does what a 16-bit one does, so that what is said of instructions is said once.

Branches, jumps, IT, hints, breakpoints and supervisor calls stay as they are.  What sets flags outside of IT blocks has
the form that sets them; MULS, which has none, is MUL with bit 5 of the second halfword set.
Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to the assembler.
"""

from __future__ import annotations

from functools import lru_cache

from gemel.m_profile.instructions.halfwords import FIRST_WIDE

PC = 15
MULTIPLIES_WITH_FLAGS = 0x20
"""The bit of the second halfword that stands for MULS."""

_OF_TWO = (
    0xEA10, 0xEA90, 0xFA10, 0xFA30, 0xFA50, 0xEB50, 0xEB70, 0xFA70,
    0xEA10, 0xF1D0, 0xEBB0, 0xEB10, 0xEA50, 0xFB00, 0xEA30, 0xEA7F,
)  # fmt: skip
"""ANDS, EORS, LSLS, LSRS, ASRS, ADCS, SBCS, RORS, TST, RSBS, CMP, CMN, ORRS, MULS, BICS, MVNS."""
_BY_REGISTER = (0xF840, 0xF820, 0xF800, 0xF910, 0xF850, 0xF830, 0xF810, 0xF930)
"""STR, STRH, STRB, LDRSB, LDR, LDRH, LDRB, LDRSH at the sum of two registers."""
_BY_OFFSET = ((0xF8C0, 4), (0xF8D0, 4), (0xF880, 1), (0xF890, 1), (0xF8A0, 2), (0xF8B0, 2))
"""STR, LDR, STRB, LDRB, STRH, LDRH, and what their offset is multiplied by."""
_EXTENDED = (0xFA0F, 0xFA4F, 0xFA1F, 0xFA5F)
"""SXTH, SXTB, UXTH, UXTB."""


def wide_form(first: int, second: int) -> tuple[int, int]:
    """Both halfwords of the 32-bit form of an instruction; it itself if it has that, or none."""
    return (first, second) if first >= FIRST_WIDE else _widened(first)


@lru_cache(None)
def _widened(first: int) -> tuple[int, int]:
    low, middle, high, imm8, eight = first & 7, first >> 3 & 7, first >> 6 & 7, first & 0xFF, first >> 8 & 7
    group, imm5, words = first >> 11, first >> 6 & 31, 4 * (first & 0xFF)
    if group < 3:  # LSLS, LSRS, ASRS by a constant
        return 0xEA5F, (imm5 >> 2) << 12 | low << 8 | (imm5 & 3) << 6 | group << 4 | middle
    if group == 3:  # ADDS, SUBS of three bits or a register
        subtracts = first & 0x200
        if first & 0x400:
            return (0xF1B0 if subtracts else 0xF110) | middle, low << 8 | high
        return (0xEBB0 if subtracts else 0xEB10) | middle, low << 8 | high
    if group < 8:  # MOVS, CMP, ADDS, SUBS of eight bits
        head = (0xF05F, 0xF1B0 | eight, 0xF110 | eight, 0xF1B0 | eight)[group - 4]
        return head, (PC if group == 5 else eight) << 8 | imm8
    if first < 0x4400:
        return _of_two(first >> 6 & 15, low, middle)
    if first < 0x4700:
        return _of_any(first, first >> 4 & 8 | low, first >> 3 & 15)
    if group == 9:  # LDR of a literal
        return 0xF8DF, eight << 12 | words
    if 10 <= group < 12:
        return _BY_REGISTER[first >> 9 & 7] | middle, low << 12 | high
    if 12 <= group < 18:
        head, scale = _BY_OFFSET[group - 12]
        return head | middle, low << 12 | imm5 * scale
    if 18 <= group < 20:  # STR, LDR on the stack
        return (0xF8CD, 0xF8DD)[group - 18], eight << 12 | words
    if 20 <= group < 22:  # ADR, ADD of the stack pointer
        return (0xF20F, 0xF20D)[group - 20], (words >> 8) << 12 | eight << 8 | words & 0xFF
    if 24 <= group < 26:  # STM, LDM, which loads its base instead of counting it on
        return (0xE8A0, 0xE890 if imm8 >> eight & 1 else 0xE8B0)[group - 24] | eight, imm8
    return _miscellaneous(first, low, middle)


def _of_two(kind: int, low: int, middle: int) -> tuple[int, int]:
    head = _OF_TWO[kind]
    if kind in (2, 3, 4, 7):
        return head | low, 0xF000 | low << 8 | middle
    if kind == 9:
        return head | middle, low << 8
    if kind == 13:
        return head | middle, 0xF000 | low << 8 | MULTIPLIES_WITH_FLAGS | low
    if kind == 15:
        return head, low << 8 | middle
    return head | low, (PC if kind in (8, 10, 11) else low) << 8 | middle


def _of_any(first: int, target: int, other: int) -> tuple[int, int]:
    """ADD, CMP, MOV of any two registers; a jump stays as it is."""
    kind = first >> 8 & 3
    if kind == 1:
        return 0xEBB0 | target, PC << 8 | other
    if target == PC:
        return first, 0
    return (0xEA4F if kind == 2 else 0xEB00 | target), target << 8 | other


def _miscellaneous(first: int, low: int, middle: int) -> tuple[int, int]:
    top, kind = first >> 8, first >> 6 & 3
    if top == 0xB0:  # ADD, SUB of the stack pointer
        amount = 4 * (first & 0x7F)
        return 0xF2AD if first & 0x80 else 0xF20D, (amount >> 8) << 12 | 0xD00 | amount & 0xFF
    if top == 0xB2:
        return _EXTENDED[kind], 0xF080 | low << 8 | middle
    if first & 0xF600 == 0xB400:  # PUSH, POP, with LR or PC
        pops = first & 0x800
        return (0xE8BD if pops else 0xE92D), first & 0xFF | (first >> 8 & 1) << (15 if pops else 14)
    if top == 0xBA and kind != 2:  # REV, REV16, REVSH
        return 0xFA90 | middle, 0xF080 | low << 8 | kind << 4 | middle
    return first, 0
