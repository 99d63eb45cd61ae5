"""What instructions that compute read and set, and whether their result may be any number, as addresses are.

All but what is read and set is asked of 32-bit instructions (``wide_forms``).
Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory); tests hold them to the assembler.
"""

from __future__ import annotations

from gemel.m_profile.instructions.halfwords import FIRST_WIDE, modified_constant, wide_immediate
from gemel.m_profile.instructions.wide_forms import PC, wide_form

COMPUTED, SCALED = 2, 4
"""Any number, and a small multiple as indexes are."""

LARGE, PAGE_SHIFT = 0x1_0000, 8


def registers_set(first: int, second: int) -> tuple[int, ...]:
    """The registers that an instruction sets which is no load; none for comparisons and branches."""
    first, second = wide_form(first, second)
    if first < FIRST_WIDE:
        return ()
    if first & 0xFF80 == 0xFB80 and first & 0xFFD0 != 0xFB90:
        return second >> 12, second >> 8 & 15
    if first & 0xF800 == 0xF000 and second & 0x8000:
        return (second >> 8 & 15,) if first & 0xFFE0 == 0xF3E0 else ()
    if first & 0xFE00 in (0xEC00, 0xEE00):
        two = first & 0xFFF0 == 0xEC50
        return (second >> 12, first & 15) if two else (second >> 12,) if first & 0x10 else ()
    if first & 0xFE00 == 0xF800:
        return (second >> 12,)
    return (second >> 8 & 15,) if second >> 8 & 15 != PC else ()


def registers_read(first: int, second: int) -> tuple[int, ...]:
    """The registers that an instruction computes with, all of them."""
    first, second = wide_form(first, second)
    if first < FIRST_WIDE or first & 0xFBF0 == 0xF240 or first & 0xFE00 == 0xF800:
        return ()
    if first & 0xFBF0 == 0xF2C0:
        return (second >> 8 & 15,)
    if first & 0xF800 == 0xF000:
        both = first & 0xFFF0 == 0xF360
        return tuple(each for each in (first & 15, *((second >> 8 & 15,) if both else ())) if each != PC)
    third = (second >> 12,) if first & 0xFF80 == 0xFB00 else ()
    return tuple(each for each in (first & 15, second & 15, *third) if each != PC)


def constant_of(first: int, second: int) -> int | None:
    """The constant of a wide instruction."""
    encoded = wide_immediate(first, second)
    if first & 0xFBF0 == 0xF2C0:
        return (first & 15) << 28 | encoded << 16
    if first & 0xF800 == 0xF000 and not second & 0x8000:
        return (
            modified_constant(encoded) if not first & 0x200 else encoded if first & 0xFB50 == 0xF200 else None
        )
    return None


def adds(first: int, second: int) -> bool:
    """ADD, SUB, and MOVT, which adds to a low halfword."""
    return (
        first & 0xFFE0 in (0xEB00, 0xEBA0)
        or first & 0xFBE0 in (0xF100, 0xF1A0)
        or first & 0xFB50 in (0xF200, 0xF240)
    )


def moves(first: int, second: int) -> bool:
    """MOV of a register."""
    return first & 0xFFEF == 0xEA4F and not second & 0x70F0


def limit_of_result(first: int, second: int, values: list[int]) -> int:
    """No result is as large: 1 << 32 where nothing is known."""
    if first & 0xFBE0 in (0xF000,) and not second & 0x8000 and values:
        return max(values) + 1
    if first & 0xFFD0 == 0xF3C0 or first & 0xFFD0 == 0xF340:
        return 1 << (second & 31) + 1
    if first & 0xFF80 == 0xFA00 and second & 0x80:
        return LARGE
    kind, amount = second >> 4 & 3, second >> 10 & 0x1C | second >> 6 & 3
    if first & 0xFFEF == 0xEA4F and kind in (1, 2):
        return 1 << 32 - (amount or 32)
    return min(values) + 1 if first & 0xFFE0 == 0xEA00 and values and not amount else 1 << 32


def any_number(first: int, second: int, values: list[int], *, scaled: bool) -> int:
    """Whether the result of an instruction that does not add may be any number."""
    kind, amount = second >> 4 & 3, second >> 10 & 0x1C | second >> 6 & 3
    if first & 0xFE00 == 0xEA00:
        mixes = first & 0xFFE0 in (0xEA80, 0xEA60, 0xEAC0, 0xEBC0) or (kind == 3 and amount)
        return COMPUTED if mixes else _shifted(amount, scaled=scaled) if kind == 0 and amount else 0
    if first & 0xF800 == 0xF000:
        large = any(value >= LARGE for value in values)
        mixes = first & 0xFBE0 in (0xF1C0,) or (first & 0xFFF0 == 0xF360 and first & 15 != 15)
        return COMPUTED if mixes or (first & 0xFBE0 in (0xF080, 0xF040) and large) else 0
    if first & 0xFF80 == 0xFB00:
        return COMPUTED if min(values, default=LARGE) >= 1 << PAGE_SHIFT + 2 else 0
    shifts = first & 0xFF80 == 0xFA00 and first & 0x60 in (0x00, 0x60) and not second & 0x80
    return (
        COMPUTED
        if shifts or first & 0xFFF0 == 0xFA90 or (first & 0xFF80 == 0xFB80 and first & 0xD0 != 0x90)
        else 0
    )


def _shifted(amount: int, *, scaled: bool) -> int:
    return 0 if not amount else COMPUTED if scaled or amount >= PAGE_SHIFT else SCALED
