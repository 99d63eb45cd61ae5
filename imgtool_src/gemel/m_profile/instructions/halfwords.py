"""What the halfwords of a Thumb instruction say of it, before anything else is looked at, and how far branches lead.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import cache

from gemel.structs import NamedTuple

FIRST_WIDE = 0xE800
"""The lowest first halfword of a 32-bit instruction."""

CALLER_SAVED = (0, 1, 2, 3, 12)
"""Registers that a call may change (AAPCS32)."""

LEADS, CONDITIONS, COPROCESSOR, UNDEFINED, IMPROBABLE = 1, 2, 4, 8, 16
"""What a first halfword says of its instruction: it may lead elsewhere, use literals or end the stream; it
makes the next ones conditional; it is one for a coprocessor; there is none; nobody writes it."""

COPROCESSORS = 0b1100_1111_1111_1111
"""Those that code for such cores uses, a bit for each: the device's own, floating point, vectors."""

_RANGES = (
    (LEADS, ((0x4480, 0x5000), (0xB100, 0xB200), (0xB300, 0xB400), (0xB900, 0xBA00), (0xBB00, 0xBC00))),
    (LEADS, ((0xBD00, 0xBE00), (0xD000, 0xDF00), (0xE000, 0xE800), (0xE810, 0xE9E0), (0xED10, 0xEDE0))),
    (LEADS, ((0xF000, 0xF800), (0xF810, 0xFA00))),
    (COPROCESSOR, ((0xEC00, 0xEF00), (0xFC00, 0xFF00))),
    (CONDITIONS, ((0xBF01, 0xC000),)),
    (UNDEFINED, ((0xB640, 0xB650), (0xB680, 0xB700), (0xB800, 0xB900), (0xFFC0, 0x1_0000))),
    (UNDEFINED, ((0xF860, 0xF880), (0xF8E0, 0xF900))),
    (UNDEFINED, tuple((store, store + 1) for store in (0xF80F, 0xF82F, 0xF84F, 0xF88F, 0xF8AF, 0xF8CF))),
    (IMPROBABLE, ((0x0000, 0x0001), (0x0800, 0x0840), (0x1000, 0x1040), (0xB650, 0xB660), (0xBA80, 0xBAC0))),
    (IMPROBABLE, ((0xDE00, 0xDEFF),)),
)
"""Halfwords from the first up to but not with the second.  Improbable are moves of a register to itself
that nobody takes for a NOP, shifts by 32, which the addresses in data look like, a change of byte order,
halts of other profiles, and the undefined instructions that compilers do not use."""


class BranchTable(NamedTuple):
    """The form of a table of branches: bytes of an entry, whether signed, and by what it is multiplied."""

    width: int
    signed: bool
    scale: int


CASE_ROUTINES = {
    bytes.fromhex("02b4 7146 4908 4900 095c 4900 8e44"): BranchTable(1, False, 2),
    bytes.fromhex("02b4 7146 4908 4900 0956 4900 8e44"): BranchTable(1, True, 2),
    bytes.fromhex("03b4 7146 4908 4000 4900 095a 4900"): BranchTable(2, False, 2),
    bytes.fromhex("03b4 7146 4908 4000 4900 095e 4900"): BranchTable(2, True, 2),
    bytes.fromhex("03b4 7146 0231 8908 8000 8900 0858"): BranchTable(4, True, 1),
}
"""How the routines begin that compilers call on Armv6-M and Armv8-M Baseline to choose a ``case``: the table
is after the call, and the index comes in r0 (a compiler's own library; a test compares)."""

INDEX_REACH = 24
"""How far before a branch by a table its index is compared with the number of entries, at most, in bytes."""


@cache
def kinds_of_halfwords() -> bytes:
    """For each first halfword of an instruction, what it says of it."""
    kinds = bytearray(0x1_0000)
    for kind, ranges in _RANGES:
        with_kind = bytes(each | kind for each in range(0x100))
        for first, end in ranges:
            kinds[first:end] = kinds[first:end].translate(with_kind)
    for hint in range(0xBF00, 0xC000, 0x10):
        kinds[hint] = 0 if hint < 0xBF50 else IMPROBABLE
    return bytes(kinds)


def is_wide(first: int) -> bool:
    """Whether a halfword is the first of a 32-bit instruction."""
    return first >= FIRST_WIDE


def where_instructions_begin(code: bytes, offsets: Iterable[int]) -> Iterator[int]:
    """Those of rising even ``offsets`` at which an instruction begins, in code without data between.

    After a halfword that cannot be the first of two, one begins; of those in a row that can, every other one is.
    """
    previous = start_of_previous = 0
    for at in offsets:
        start = at
        while start and code[start - 1] >= FIRST_WIDE >> 8:
            if start == previous:
                start = start_of_previous
                break
            start -= 2
        previous, start_of_previous = at, start
        if (at - start) % 4 == 0:
            yield at


def is_call(first: int, second: int) -> bool:
    """Whether the instruction leaves a return address in the link register."""
    if is_wide(first):
        return first & 0xF800 == 0xF000 and second & 0xD000 == 0xD000
    return first & 0xFF87 in (0x4780, 0x4784)


def is_return(first: int, second: int) -> bool:
    """Whether the instruction leaves the function by an address in a register or on the stack."""
    popped = first & 0xFF00 == 0xBD00 or (first & 0xFE50 == 0xE810 and second & 0x8000 != 0)
    return popped or first & 0xFF80 == 0x4700 or (first & 0xFF70 == 0xF850 and second >> 12 == 15)


def instructions(code: bytes) -> Iterator[tuple[int, int, int]]:
    """Offset, first and second halfword (0 for a 16-bit one) of each whole instruction in ``code``."""
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


def wide_immediate(first: int, second: int) -> int:
    """The 12 bits i:imm3:imm8 of a wide instruction."""
    return (first & 0x400) << 1 | (second & 0x7000) >> 4 | second & 0xFF


def moved_constant(first: int, second: int) -> int:
    """What MOVW and MOVT set half of a register to: imm4:i:imm3:imm8."""
    return (first & 15) << 12 | wide_immediate(first, second)


def modified_constant(encoded: int) -> int:
    """The value of the 12 bits i:imm3:imm8 (ThumbExpandImm)."""
    low = encoded & 0xFF
    if encoded >> 10 == 0:
        return (low, low | low << 16, low << 8 | low << 24, low * 0x0101_0101)[encoded >> 8 & 3]
    rotation, value = encoded >> 7, 0x80 | encoded & 0x7F
    return (value >> rotation | value << (32 - rotation)) & 0xFFFF_FFFF


def is_table_branch(first: int, second: int) -> bool:
    """Whether the instruction is TBB or TBH by the table next to it."""
    return first == 0xE8DF and second & 0xFFE0 == 0xF000


def entries_of_table(code: bytes, at: int, register: int) -> int | None:
    """How many entries a table of branches has whose index in ``register`` is held to that shortly before ``at``.

    A comparison counts if a condition on unsigned numbers uses it: one for equality is about another thing, and some
    compilers compare nothing where no other index can be.
    """
    for place in range(at - 2, max(at - INDEX_REACH, 0) - 1, -2):
        first = code[place] | code[place + 1] << 8
        if register < 8 and first & 0xFF00 == 0x2800 | register << 8:
            highest, after = first & 0xFF, place + 2
        elif first == 0xF1B0 | register and code[place + 3] & 0x8F == 0x0F:
            highest, after = code[place + 2], place + 4
        else:
            continue
        for _, half, second in instructions(code[after:at]):
            condition = _condition(half, second)
            if condition is not None:
                return {2: highest, 3: highest, 8: highest + 1, 9: highest + 1}.get(condition)
    return None


def targets_of_table(
    code: bytes, start: int, form: BranchTable, entries: int | None
) -> tuple[list[int], int]:
    """Where a table of branches leads that begins at an offset of ``code``, and where it ends, as offsets.

    It ends with its entries, where the nearest of its targets after it begins, or before one that leads nowhere.
    """
    found: list[int] = []
    at, nearest = start, len(code)
    while at + form.width <= nearest and len(found) != entries:
        value = int.from_bytes(code[at : at + form.width], "little", signed=form.signed)
        target = start + form.scale * value & ~1
        if not 0 <= target < len(code) or start <= target <= at:  # 0 after an odd number of bytes
            break
        nearest = min(nearest, target) if target > start else nearest
        found.append(target)
        at += form.width
    return found, at


def _condition(first: int, second: int) -> int | None:
    """On what a branch, or what follows an IT, is conditional: 2 and 3 are CS and CC, 8 and 9 HI and LS."""
    if first & 0xF000 == 0xD000 and first >> 8 & 15 < 14:
        return first >> 8 & 15
    if first & 0xFF00 == 0xBF00 and first & 15:
        return first >> 4 & 15
    is_branch = first & 0xF800 == 0xF000 and second & 0xD000 == 0x8000 and first >> 6 & 15 < 14
    return first >> 6 & 15 if is_branch else None


def branch_distance(first: int, second: int, *, calls: bool = False) -> int | None:
    """How far a branch leads, or BL if ``calls``, from the address of the instruction plus 4; None for others."""
    if first & 0xF000 == 0xD000 and first >> 8 & 0xF < 0xE:
        return _signed(first & 0xFF, 8) * 2
    if first & 0xF800 == 0xE000:
        return _signed(first & 0x7FF, 11) * 2
    if first & 0xF500 == 0xB100:
        return (first & 0x200) >> 3 | (first & 0xF8) >> 2
    if first & 0xF800 == 0xF000 and second & 0xD000 == 0x8000 and first >> 6 & 0xF < 0xE:
        upper = (first >> 10 & 1) << 2 | (second >> 11 & 1) << 1 | second >> 13 & 1
        return _signed(upper << 17 | (first & 0x3F) << 11 | second & 0x7FF, 20) * 2
    if first & 0xF800 == 0xF000 and second & 0xD000 in ((0x9000, 0xD000) if calls else (0x9000,)):
        return call_distance(first, second)
    return None


def long_branches(code: bytes, start: int, *, leaving: bool = False) -> Iterator[tuple[int, int]]:
    """The address of each BL and B.W that could be in ``code``, which begins at ``start``, and where it leads.

    ``leaving``: only those that lead out of it.
    """
    first, end = start + (start & 1), start + len(code)
    lows, highs = code[start & 1 :: 2], code[(start & 1) + 1 :: 2]
    for match in re.finditer(rb"[\xf0-\xf7](?=[\x90-\x9f\xb0-\xbf\xd0-\xdf\xf0-\xff])", highs):
        index = match.start()
        at, high, second = first + 2 * index, highs[index], highs[index + 1]
        if leaving and second & 0x28 == 0x28:  # nearer than 4 MiB: the first halfword says in which 4 KiB
            least = at + 4 + (((high & 3) - (high & 4) << 8 | lows[index]) << 12)
            if start <= least and least + 0xFFE < end:
                continue
        target = at + 4 + call_distance(high << 8 | lows[index], second << 8 | lows[index + 1])
        if not (leaving and start <= target < end):
            yield at, target


def short_branches(code: bytes, start: int) -> Iterator[tuple[int, int]]:
    """The address of each B, the 16-bit form, that could be in ``code`` from ``start`` on, and where it leads."""
    first = start + (start & 1)
    lows, highs = code[start & 1 :: 2], code[(start & 1) + 1 :: 2]
    for match in re.finditer(rb"[\xe0-\xe7]", highs):
        index = match.start()
        at = first + 2 * index
        yield at, at + 4 + 2 * _signed((highs[index] & 7) << 8 | lows[index], 11)


def call_distance(first: int, second: int) -> int:
    """How far BL or B.W leads: sign, I1, I2, ten bits, eleven bits, halved; I is NOT (J EOR sign)."""
    if second & 0x2800 == 0x2800:  # nearer than 4 MiB, as nearly all
        return ((first & 0x3FF) - (first & 0x400)) << 12 | (second & 0x7FF) << 1
    sign = first >> 10 & 1
    upper = ((second >> 13 & 1) ^ sign ^ 1) << 1 | ((second >> 11 & 1) ^ sign ^ 1)
    return _signed(sign << 23 | upper << 21 | (first & 0x3FF) << 11 | second & 0x7FF, 24) * 2


def _signed(value: int, bits: int) -> int:
    return value - (1 << bits) if value >> (bits - 1) else value
