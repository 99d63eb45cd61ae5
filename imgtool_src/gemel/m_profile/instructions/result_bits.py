"""The bits of an instruction's results and flags that come from what it reads, of which some mark the core's state.

``marks`` holds them by register, by place on the stack, and for the flags.
"""

from __future__ import annotations

from collections.abc import Mapping

from gemel.m_profile.instructions.computed_addresses import constant_of, moves
from gemel.m_profile.instructions.halfwords import FIRST_WIDE
from gemel.m_profile.instructions.wide_forms import MULTIPLIES_WITH_FLAGS

ALL = 0xFFFF_FFFF
FLAGS, CARRY = "flags", "carry"


def deciding_bits(first: int, second: int, marks: Mapping[object, int]) -> int:
    """What decides a branch or IT: the register of CBZ and CBNZ, or the flags of its condition."""
    if first & 0xF500 == 0xB100:
        return marks.get(first & 7, 0)
    condition = first >> (4 if first & 0xFF00 == 0xBF00 else 8 if first & 0xF000 == 0xD000 else 6) & 15
    if first & 0xF800 == 0xE000 or (first >= FIRST_WIDE and second & 0xD000 != 0x8000):
        return 0
    flags, carry = marks.get(FLAGS, 0), marks.get(CARRY, 0)
    of_one = (flags, carry, flags >> 31, 0)
    return of_one[condition >> 1] if condition < 8 else (flags | carry) * (condition < 14)


def adds_carry(first: int) -> bool:
    """ADC, SBC."""
    return first & 0xFFC0 == 0xEB40 or first & 0xFBC0 == 0xF140


def sets_flags(first: int, second: int) -> bool:
    """Whether an instruction that computes sets the flags by its result, outside of IT blocks."""
    of_data = first & 0xFE00 == 0xEA00 or (first & 0xFA00 == 0xF000 and not second & 0x8000)
    of_data = of_data or (first & 0xFF80 == 0xFA00 and not second & 0x80)
    return (of_data and bool(first & 0x10)) or (
        first & 0xFFF0 == 0xFB00 and bool(second & MULTIPLIES_WITH_FLAGS)
    )


def _shift(first: int, second: int) -> tuple[int, int] | None:
    """LSL, LSR, ASR (0 to 2) by a constant, and how far."""
    if first & 0xFFEF != 0xEA4F:
        return None
    kind, amount = second >> 4 & 3, second >> 10 & 0x1C | second >> 6 & 3
    return (kind, amount or (32 if kind in (1, 2) else 0)) if kind < 3 else None


def carried_bits(first: int, second: int, bits: int) -> int:
    """The bit of what is shifted that goes into the carry; of other results all."""
    shift = _shift(first, second)
    if shift is None:
        return ALL if bits else 0
    kind, amount = shift
    return bits >> (32 - amount if kind == 0 else amount - 1) & 1 if amount else 0


def kept_bits(first: int, second: int, bits: int, values: list[int]) -> int:
    """The bits of a result that come from the core, of those of what it is computed from."""
    if moves(first, second):
        return bits
    shift = _shift(first, second)
    if shift is not None:
        return bits << shift[1] if shift[0] == 0 else bits >> shift[1]
    if first & 0xFF70 == 0xF340:  # UBFX, SBFX
        lowest = second >> 10 & 0x1C | second >> 6 & 3
        return bits >> lowest & (2 << (second & 31)) - 1
    if first & 0xFF80 == 0xFA00 and second & 0x80:
        return bits & (0xFF if first & 0x40 else 0xFFFF)
    constant = constant_of(first, second)
    values = values if constant is None else [constant]
    if first & 0xFBE0 == 0xF000 or first & 0xFFE0 == 0xEA00:
        return bits & values[0] if values else bits
    if first & 0xFBE0 == 0xF020 or first & 0xFFE0 == 0xEA20:
        return bits & ~values[0] if values else bits
    combines = first & 0xFBE0 in (0xF040, 0xF080, 0xF060) or first & 0xFFE0 in (0xEA40, 0xEA60, 0xEA80)
    return bits if combines else ALL
