"""What a core must have to execute an instruction, by its encoding.

Armv7-M and Armv8-M architecture reference manuals, "The T32 instruction set encoding" (from memory); the
tests compare with an assembler.  The needs, each including those before it in its line:

    base      Armv6-M
    baseline  Armv8-M Baseline: wide branches, 16-bit constants, division, exclusive access
    mainline  Armv7-M and Armv8-M Mainline
    dsp, fp, fp-double, armv8.1 beyond these
"""

from __future__ import annotations

from collections.abc import Iterator

BASE, BASELINE, MAINLINE = "base", "baseline", "mainline"
DSP, FLOAT, DOUBLE, LATEST = "dsp", "fp", "fp-double", "armv8.1"

WORDS = {
    BASELINE: "an instruction beyond Armv6-M",
    MAINLINE: "an instruction of the mainline architectures",
    DSP: "a DSP instruction",
    FLOAT: "a float unit instruction",
    DOUBLE: "a double-precision instruction",
    LATEST: "an instruction of Armv8.1-M",
}
"""What messages call an instruction with each need."""

SLEEP, SLEEP_WIDE = 0xBF30, 0xF3AF_8003
WAITS = (0xBF20, 0xBF10)
WAITS_WIDE = (0xF3AF_8002, 0xF3AF_8001)
"""WFI; WFE and YIELD, which give the rest of a turn away."""


def is_sleep(first: int, second: int) -> bool:
    """Whether it is WFI."""
    return first == SLEEP or first << 16 | second == SLEEP_WIDE


def is_wait(first: int, second: int) -> bool:
    """Whether it is WFE or YIELD."""
    return first in WAITS or first << 16 | second in WAITS_WIDE


def is_unmask(first: int, second: int) -> bool:
    """Whether it is CPSIE, or MSR of PRIMASK, BASEPRI or FAULTMASK (Secure or Non-secure)."""
    if first & 0xFFF8 == 0xB660:
        return True
    return first & 0xFFE0 == 0xF380 and second & 0xF000 == 0x8000 and second & 0x7F in (16, 17, 18, 19)


def sets_control(first: int, second: int) -> bool:
    """Whether it is MSR of CONTROL, with which code gives up its privilege."""
    return first & 0xFFE0 == 0xF380 and second & 0xF000 == 0x8000 and second & 0x7F == 20


def sets_stack_limit(first: int, second: int) -> bool:
    """Whether it is MSR of a stack limit register."""
    return first & 0xFFE0 == 0xF380 and second & 0xF000 == 0x8000 and second & 0xFF in (10, 11)


def is_exclusive(first: int, second: int) -> bool:
    """Whether it is a load that opens the exclusive monitor."""
    if first & 0xFFF0 == 0xE850:
        return True
    return first & 0xFFF0 == 0xE8D0 and (second & 0xF0 in (0x40, 0x50) or second & 0xF0 in (0xC0, 0xD0, 0xE0))


_EXCLUSIVE_SIZES = {0x5: 2, 0x9: 2, 0xA: 4, 0xD: 2, 0xE: 4}
"""Bytes accessed by acquire, release and exclusive instructions, by bits 4 to 7 of the second half-word."""


def aligned_base(first: int, second: int) -> tuple[int, int] | None:
    """The base register of a load or store that faults on an unaligned address, and the bytes it must align to.

    LDM, STM, LDRD, STRD, float loads and stores, exclusive, acquire and release accesses; None for other
    instructions, and where the base is the stack pointer or the program counter, which are aligned.
    """
    if not is_wide(first):
        return (first >> 8 & 7, 4) if first & 0xF000 == 0xC000 else None
    base = first & 0xF
    if base in (13, 15):
        return None
    if first & 0xFE40 == 0xE800 or (first & 0xFE40 == 0xE840 and first & 0x0120):
        return base, 4
    if first & 0xFFE0 == 0xE840:
        return base, 4
    if first & 0xFFE0 == 0xE8C0:
        size = _EXCLUSIVE_SIZES.get(second >> 4 & 0xF)
        return (base, size) if size else None
    if first & 0xFE00 == 0xEC00 and second >> 9 & 7 == 5 and first & 0xFFE0 != 0xEC40:
        return base, 4
    return None


def is_division(first: int, second: int) -> int | None:
    """The divisor's register of SDIV or UDIV; None for other instructions."""
    return second & 0xF if first & 0xFFD0 == 0xFB90 and second & 0xF0F0 == 0xF0F0 else None


_LONG_MULTIPLIES = {0xFBC0: (0,), 0xFBE0: (0,), 0xFBD0: ()}
"""First half-words of long multiplies, with the second fields that Mainline has without DSP."""


def is_wide(first: int) -> bool:
    """Whether a half-word is the first of a 32-bit instruction."""
    return first >> 11 in (0x1D, 0x1E, 0x1F)


def instructions(code: bytes) -> Iterator[tuple[int, int, int]]:
    """Offset, first and second half-word (0 for a narrow one) of each whole instruction in ``code``."""
    at = 0
    while at + 2 <= len(code):
        first = code[at] | code[at + 1] << 8
        if not is_wide(first):
            yield at, first, 0
            at += 2
        elif at + 4 <= len(code):
            yield at, first, code[at + 2] | code[at + 3] << 8
            at += 4
        else:
            return


def need_of(first: int, second: int) -> str:
    """What the instruction needs; ``second`` is 0 for a narrow one."""
    if not is_wide(first):
        if first & 0xF500 == 0xB100:  # compare and branch
            return BASELINE
        return MAINLINE if first & 0xFF00 == 0xBF00 and first & 0xF else BASE  # if-then
    if first & 0xEC00 == 0xEC00:
        return _coprocessor(first, second)
    if _in_armv6_m(first, second):
        return BASE
    if _in_baseline(first, second):
        return BASELINE
    if first & 0xFF80 == 0xF000 and second & 0xF001 == 0xC001:  # low-overhead loops
        return LATEST
    return DSP if _is_dsp(first, second) else MAINLINE


def is_call(first: int, second: int) -> bool:
    """Whether the instruction leaves a return address in the link register."""
    if is_wide(first):
        return first & 0xF800 == 0xF000 and second & 0xD000 == 0xD000
    return first & 0xFF87 == 0x4780 or first & 0xFF87 == 0x4784


def _coprocessor(first: int, second: int) -> str:
    """The coprocessor space: 10 and 11 are the float unit, the vector extension has the rest of it."""
    if first & 0xEF00 == 0xEF00:
        return LATEST
    number = second >> 8 & 0xF
    if number not in (10, 11):
        return LATEST if number in (8, 9, 14, 15) else MAINLINE
    arithmetic = first & 0xEF00 == 0xEE00 and not second & 0x10
    if arithmetic and (number == 11 or (first & 0xFFBF == 0xEEB7 and second & 0xC0 == 0xC0)):
        return DOUBLE
    return FLOAT


def _in_armv6_m(first: int, second: int) -> bool:
    if first & 0xF800 == 0xF000 and second & 0xD000 == 0xD000:  # call
        return True
    if first & 0xFFF0 == 0xF380 and second & 0xFF00 == 0x8800:  # MSR; other masks are for the DSP flags
        return True
    if first == 0xF3EF and second & 0xF000 == 0x8000:  # MRS
        return True
    if first == 0xF3BF and second & 0xFFF0 in (0x8F40, 0x8F50, 0x8F60):  # barriers
        return True
    return first & 0xFFF0 == 0xF7F0 and second & 0xF000 == 0xA000  # undefined for ever


def _in_baseline(first: int, second: int) -> bool:
    if first & 0xF800 == 0xF000 and second & 0xD000 == 0x9000:  # branch
        return True
    if first & 0xFB70 == 0xF240 and not second & 0x8000:  # MOVW, MOVT
        return True
    if first & 0xFFD0 == 0xFB90:  # division
        return True
    if first & 0xFFE0 == 0xE840:  # exclusive access to words, test target
        return True
    if first & 0xFFE0 == 0xE8C0:  # exclusive, acquire and release; without TBB, TBH and double words
        return second >> 4 & 0xF in (0x4, 0x5, 0x8, 0x9, 0xA, 0xC, 0xD, 0xE)
    return (first, second) == (0xE97F, 0xE97F) or (first, second) == (0xF3BF, 0x8F2F)


def _is_dsp(first: int, second: int) -> bool:
    if first & 0xFF00 == 0xFA00 and second & 0xF000 == 0xF000:
        return _is_dsp_arithmetic(first, second)
    if first & 0xFFF0 == 0xEAC0:  # pack half-words
        return True
    if first & 0xFFF0 in (0xF320, 0xF3A0) and second & 0xF0C0 == 0:  # saturate two half-words
        return True
    if first & 0xFF80 == 0xFB00:
        return first & 0x70 != 0
    kept = _LONG_MULTIPLIES.get(first & 0xFFF0)
    return kept is not None and second >> 4 & 0xF not in kept


def _is_dsp_arithmetic(first: int, second: int) -> bool:
    if first & 0x80 == 0:
        if not second & 0x80:
            return False  # shift by register
        return first & 0xF != 0xF or first & 0x70 in (0x20, 0x30)  # extend and add; two bytes at once
    if not second & 0x80:
        return True  # parallel arithmetic
    return first & 0x70 in (0x00, 0x20)  # saturating arithmetic, select
