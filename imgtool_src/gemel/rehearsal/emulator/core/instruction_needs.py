"""What the emulator asks of an instruction, by its halfwords.

Armv7-M and Armv8-M architecture reference manuals, "The T32 instruction set encoding" (from memory).  What a
core must have to execute it: ``gemel.m_profile.instructions.instruction_table``.
"""

from __future__ import annotations

from gemel.m_profile.instructions.halfwords import is_wide, modified_constant
from gemel.m_profile.instructions.memory_accesses import SP, memory_access

SLEEP, SLEEP_WIDE = 0xBF30, 0xF3AF_8003
WAITS = (0xBF20, 0xBF10)
WAITS_WIDE = (0xF3AF_8002, 0xF3AF_8001)
"""WFI; WFE and YIELD, which give the rest of a turn away."""

FRAME_POINTERS = (7, 11)

IF_THEN_SPAN = 14
"""Bytes from IT to the last instruction of its block at most."""


def is_sleep(first: int, second: int) -> bool:
    """Whether it is WFI."""
    return first == SLEEP or first << 16 | second == SLEEP_WIDE


def is_wait(first: int, second: int) -> bool:
    """Whether it is WFE or YIELD."""
    return first in WAITS or first << 16 | second in WAITS_WIDE


def is_wait_for_event(first: int, second: int) -> bool:
    """Whether it is WFE."""
    return first == WAITS[0] or first << 16 | second == WAITS_WIDE[0]


def is_unmask(first: int, second: int) -> bool:
    """Whether it is CPSIE, or MSR of PRIMASK, BASEPRI or FAULTMASK (Secure or Non-secure)."""
    if first & 0xFFF8 == 0xB660:
        return True
    return first & 0xFFE0 == 0xF380 and second & 0xF000 == 0x8000 and second & 0x7F in (16, 17, 18, 19)


def sets_control(first: int, second: int) -> bool:
    """Whether it is MSR of CONTROL, with which code gives up its privilege."""
    return first & 0xFFE0 == 0xF380 and second & 0xF000 == 0x8000 and second & 0x7F == 20


READ_SYSTEM = 0xF3EF
"""The first halfword of MRS."""


def uses_system_register(first: int, second: int) -> bool:
    """Whether it is MRS, MSR or CPS."""
    if first & 0xFFEF == 0xB662:
        return True
    return (first == READ_SYSTEM or first & 0xFFE0 == 0xF380) and second & 0xF000 == 0x8000


def sets_stack_limit(first: int, second: int) -> bool:
    """Whether it is MSR of a stack limit register."""
    return first & 0xFFE0 == 0xF380 and second & 0xF000 == 0x8000 and second & 0xFF in (10, 11)


def is_as_user(first: int, second: int) -> bool:
    """Whether it is a load or store with the permissions of unprivileged code, as LDRT and STRT."""
    return (
        first & 0xFE80 == 0xF800 and first & 0x60 != 0x60 and second & 0x0F00 == 0x0E00 and first & 0xF != 0xF
    )


def is_single_load(first: int, second: int) -> bool:
    """Whether it loads one word into one register: LDR of any form."""
    if not is_wide(first):
        return first & 0xF800 in (0x6800, 0x9800) or first & 0xFE00 == 0x5800
    return first & 0xFF70 == 0xF850


def coprocessor_of(first: int, second: int) -> int | None:
    """The number of the coprocessor that an encoding is for, allocated or not; None where it is for none."""
    is_for_one = is_wide(first) and (first & 0xEE00 == 0xEC00 or first & 0xEF00 == 0xEE00)
    return second >> 8 & 15 if is_for_one else None


def loads_double(first: int, second: int) -> bool:
    """Whether it is LDRD."""
    return is_wide(first) and first & 0xFE50 == 0xE850 and bool(first & 0x0120)


def searches_zero(first: int, second: int) -> bool:
    """Whether it subtracts 1 from each byte of a word, as library functions do to find the one that is zero."""
    return first & 0xFBF0 == 0xF1A0 and second & 0x70FF == 0x3001 and not first & 0x0400


def sets_stack_pointer(first: int, second: int) -> bool:
    """Whether it is MSR of MSP or PSP."""
    return first & 0xFFE0 == 0xF380 and second & 0xF000 == 0x8000 and second & 0xFF in (8, 9)


def moved_to_stack(first: int, second: int) -> int | None:
    """The register that MOV, narrow or wide, moves to the stack pointer; None for another instruction."""
    if not is_wide(first):
        return first >> 3 & 15 if first & 0xFF87 == 0x4685 else None
    return second & 15 if first == 0xEA4F and second & 0xFFF0 == 0x0D00 else None


def lowers_stack_far(first: int, second: int) -> bool:
    """Whether it may lower the stack pointer by more than 508 bytes, as for a large or variable array.

    Moves from a frame pointer, which compilers take back frames with, are left out, as is MSR.
    """
    if first & 0xFB5F == 0xF10D or first & 0xFBFF == 0xF2AD:
        return second & 0x0F00 == 0x0D00 and bool(first & 0x0400 or second & 0x7000)
    if first & 0xFFEF == 0xEBAD:
        return second & 0x0F00 == 0x0D00
    register = moved_to_stack(first, second)
    return first & 0xFF87 == 0x4485 if register is None else register not in FRAME_POINTERS


def moves_stack(first: int, second: int) -> bool:
    """Whether it may take the main stack pointer to another stack: MOV of a register, LDR, MSR of MSP.

    Moves from a frame pointer are left out: they are in each function of code that is not optimised.
    """
    if sets_stack_pointer(first, second):
        return second & 0xFF == 8
    register = moved_to_stack(first, second)
    if register is not None:
        return register not in FRAME_POINTERS
    return first & 0xFF70 == 0xF850 and second & 0xF000 == 0xD000


def may_unalign_stack(first: int, second: int) -> bool:
    """Whether it adds to the stack pointer what need not be a multiple of four: a register, or such a constant."""
    if not is_wide(first):
        return first & 0xFF87 == 0x4485
    if first & 0xF != SP:
        return False
    if access := memory_access(first, second):
        return bool((access.writeback or 0) & 3)
    if second & 0x0F00 != 0x0D00:
        return False
    if first & 0xFF4F == 0xEB0D:
        return not second & 0x7080  # shifted by no more than one bit
    constant = first << 1 & 0x800 | second >> 4 & 0x700 | second & 0xFF
    if first & 0xFB4F == 0xF10D:
        return bool(modified_constant(constant) & 3)
    return first & 0xFB4F == 0xF20D and bool(constant & 3)


def is_target_test(first: int, second: int) -> bool:
    """Whether it is TT, TTT, TTA or TTAT, which ask what code may do at an address."""
    return first & 0xFFF0 == 0xE840 and second & 0xF03F == 0xF000


def non_secure_target(first: int) -> int | None:
    """The register with the target of BXNS or BLXNS, which leave Secure state where its bit 0 is clear."""
    return first >> 3 & 0xF if first & 0xFF07 == 0x4704 else None


def is_exclusive(first: int, second: int) -> bool:
    """Whether it is a load that opens the exclusive monitor."""
    if first & 0xFFF0 == 0xE850:
        return True
    return first & 0xFFF0 == 0xE8D0 and (second & 0xF0 in (0x40, 0x50) or second & 0xF0 in (0xC0, 0xD0, 0xE0))


def is_ordered(first: int, second: int) -> bool:
    """Whether it is an exclusive, acquire or release access, with which cores order what they do."""
    if first & 0xFFE0 == 0xE840 and not (first & 0x10 == 0 and second & 0xF000 == 0xF000):
        return True
    return first & 0xFFE0 == 0xE8C0 and second >> 4 & 0xF in (4, 5, 8, 9, 10, 12, 13, 14)


_EXCLUSIVE_SIZES = {0x5: 2, 0x9: 2, 0xA: 4, 0xD: 2, 0xE: 4}
"""Bytes accessed by acquire, release and exclusive instructions, by bits 4 to 7 of the second halfword."""


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
    if first & 0xFE40 == 0xE800 and first >> 7 & 3 in (1, 2):
        return base, 4
    if (first & 0xFE40 == 0xE840 and first & 0x0120) or first & 0xFFE0 == 0xE840:
        return base, 4
    if first & 0xFFE0 == 0xE8C0:
        size = _EXCLUSIVE_SIZES.get(second >> 4 & 0xF)
        return (base, size) if size else None
    if first & 0xFE00 == 0xEC00 and second >> 9 & 7 == 5 and first & 0xFFE0 != 0xEC40:
        return base, 4
    return None


def sets_flags_in_block(first: int) -> bool:
    """Whether a narrow instruction sets flags in an if-then block too, in which others do not: CMP, CMN, TST."""
    return first & 0xF800 == 0x2800 or first & 0xFFC0 in (0x4200, 0x4280, 0x42C0) or first & 0xFF00 == 0x4500


def is_division(first: int, second: int) -> int | None:
    """The divisor's register of SDIV or UDIV; None for other instructions."""
    return second & 0xF if first & 0xFFD0 == 0xFB90 and second & 0xF0F0 == 0xF0F0 else None


def if_then_conditions(first: int) -> list[int]:
    """The conditions of the instructions in the block that IT begins; none for another instruction."""
    mask = first & 0xF
    if first & 0xFF00 != 0xBF00 or not mask:
        return []
    count = 4 - (mask & -mask).bit_length() + 1
    base = first >> 4 & 0xF
    return [base, *(base & 0xE | mask >> (4 - place) & 1 for place in range(1, count))]
