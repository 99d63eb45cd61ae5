"""Whether code can get at an address: as a word in its literals, or put together by instructions.

Encodings of the Arm instruction set for M-profile cores, from memory (Armv7-M and Armv8-M Architecture
Reference Manuals, MOV (immediate) T2 and T3, MOVT T1, LSL (immediate) T1, LDR (literal) T1 and T2); the tests
hold them to the assembler.  Thumb instructions are little-endian halfwords::

    MOVW  11110 i 100100 imm4 | 0 imm3 Rd imm8     Rd = imm4:i:imm3:imm8
    MOVT  11110 i 101100 imm4 | 0 imm3 Rd imm8     the upper half of Rd
    MOV.W 11110 i 000100 1111 | 0 imm3 Rd imm8     Rd = ThumbExpandImm(i:imm3:imm8)
    MOVS  00100 Rd imm8, then MOVT, or LSLS 00000 imm5 Rd Rd
    LDR   01001 Rd imm8            Rd = the word at Align(PC, 4) + 4 * imm8
    LDR.W 11111000 U 1011111 | Rd imm12   the same at + or - imm12
"""

from __future__ import annotations

import re
import struct
from bisect import bisect_left
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING

from gemel.m_profile.instructions.halfwords import is_wide, modified_constant, moved_constant, wide_immediate
from gemel.spans import Span, offsets_of
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.builds.mapped_code import MappedCode

PAIR_DISTANCE = 32
"""Bytes within which the second instruction of a pair must follow the first."""

FEW_HALVES = 0x2_0000
"""Bytes of wanted addresses that are looked for by their three upper bytes; of more, by their two."""

_MOVW, _MOVT, _MOV, _LDR = 0xF240, 0xF2C0, 0xF04F, 0xF85F


class HeldLiteral(NamedTuple):
    """An offset at which code holds an address, and how."""

    offset: int
    how: str


def holders_of(address: int, data: bytes, start: int) -> Iterator[HeldLiteral]:
    """Where ``data``, whose first byte is at ``start``, holds ``address``; literals first."""
    for offset in offsets_of(struct.pack("<I", address), data):
        if (start + offset) % 4 == 0:
            yield HeldLiteral(offset, "a word")
    for offset in _single(address, data, start):
        yield HeldLiteral(offset, "one instruction")
    for offset, _ in _paired_in(Span(address, 1), data, start):
        yield HeldLiteral(offset, "a pair of instructions")
    if address:
        yield from _shifted(address, data, start)


def held_addresses(wanted: Span, code: bytes, data: bytes, start: int) -> Iterator[tuple[int, int]]:
    """Offset and value of each address in ``wanted`` that a section of code holds.

    It does so as a word of ``data`` that an instruction loads, where ``code`` has zeros in place of literals, or by
    MOVW, MOV.W or MOVS and the MOVT after it.
    """
    held = dict(_words_in(wanted, data, start))
    loaded = _loaded(code, start) if held else set()
    for offset, word in sorted(held.items()):
        if offset in loaded and code[offset : offset + 4] == bytes(4):
            yield offset, word
    yield from _paired_in(wanted, code, start)


def held_in_code(build: Build, mapped: MappedCode | None, wanted: Span) -> Iterator[tuple[int, int]]:
    """Place and value of each address in ``wanted`` that the mapped code of a build holds."""
    for section in mapped.sections if mapped else ():
        data = build.read_at_run(section.start, len(section.code)) or b""
        for offset, value in held_addresses(wanted, section.code, data, section.start):
            yield section.start + offset, value


def places_of_addresses(wanted: Span, data: bytes, start: int, *, is_baseline: bool) -> Iterator[int]:
    """Offsets of what in code may put an address in ``wanted`` together: words, pairs, and moves of round ones.

    ``is_baseline``: the code is for an architecture that moves no wide immediates.
    """
    yield from (at for at, _ in _words_in(wanted, data, start))
    yield from (at for at, _ in _paired_in(wanted, data, start))
    rounds = _round_constants()
    for value, encoded in rounds[bisect_left(rounds, (wanted.start,)) : bisect_left(rounds, (wanted.end,))]:
        yield from (at for at, _ in _moves(_MOV, encoded, data, start))
        yield from (each.offset for each in _shifted(value, data, start)) if is_baseline else ()


@cache
def _round_constants() -> list[tuple[int, int]]:
    """What MOV.W moves that is more than a byte, and the 12 bits that it is made of, by value."""
    return sorted((modified_constant(encoded), encoded) for encoded in range(0x100, 0x1000))


def _words_in(wanted: Span, data: bytes, start: int) -> Iterator[tuple[int, int]]:
    lower = 16 if wanted.size <= FEW_HALVES else 24
    for head in range(wanted.start >> lower, (wanted.end - 1 >> lower) + 1):
        low, high = max(wanted.start, head << lower), min(wanted.end, head + 1 << lower) - 1
        below = bytes(range(low >> lower - 8 & 0xFF, (high >> lower - 8 & 0xFF) + 1))
        upper = head.to_bytes(4 - lower // 8, "little")
        written = b"%b(?<=[%b]%b)" % tuple(map(re.escape, (upper[-1:], below, upper)))
        for each in re.finditer(written, data, re.DOTALL):
            at = each.end() - 4
            word = int.from_bytes(data[at : at + 4], "little") if at >= 0 and (start + at) % 4 == 0 else -1
            if wanted.holds(word):
                yield at, word


def _paired_in(wanted: Span, code: bytes, start: int) -> Iterator[tuple[int, int]]:
    for upper in range(wanted.start >> 16, (wanted.end - 1 >> 16) + 1):
        for place, register in _moves(_MOVT, upper, code, start):
            for at in range(place - 2, max(-1, place - PAIR_DISTANCE), -2):
                half = _moved(code, at, register)
                if half is not None:
                    if wanted.holds(upper << 16 | half & 0xFFFF):
                        yield at, upper << 16 | half & 0xFFFF
                    break


_MOVT_OF_ANY = re.compile(rb"(?=[\xc0-\xcf][\xf2\xf6].[\x00-\x7f])", re.DOTALL)


def constants_of(code: bytes, start: int) -> Iterator[int]:
    """What a function may have as an address of code: its words that it loads, and what pairs with MOVT make."""
    last = len(code) - 4
    yield from (int.from_bytes(code[at : at + 4], "little") for at in _loaded(code, start) if 0 <= at <= last)
    uppers = {
        moved_constant(*struct.unpack_from("<2H", code, match.start()))
        for match in _MOVT_OF_ANY.finditer(code)
        if match.start() % 2 == 0
    }
    for upper in uppers:
        yield from (value for _, value in _paired_in(Span(upper << 16, 1 << 16), code, start))


def _moved(code: bytes, at: int, register: int) -> int | None:
    """What the MOVW, MOV.W or MOVS of the register at ``at`` moves to it; None if there is none."""
    first: int
    second: int
    first, second = struct.unpack_from("<2H", code, at)
    if first >> 8 == 0x20 | register and register < 8:
        return None if _is_second_half(code, at) else first & 0xFF
    if second & 0x8000 or second >> 8 & 15 != register:
        return None
    if first & 0xFBF0 == _MOVW:
        return moved_constant(first, second)
    return modified_constant(wide_immediate(first, second)) if first & 0xFBEF == _MOV else None


def _is_second_half(code: bytes, at: int) -> bool:
    """Whether an instruction of 4 bytes begins right before ``at``: its second halfword can look like a MOVS."""
    before = 0
    while at >= 2 and is_wide(code[at - 1] << 8):
        before, at = before + 1, at - 2
    return before % 2 == 1


def _loaded(code: bytes, start: int) -> set[int]:
    """The offsets of the words that an LDR (literal) loads."""
    found = set()
    for match in re.finditer(rb"(?=(?:.[\x48-\x4f]|[\x5f\xdf]\xf8).{2})", code, re.DOTALL):
        at = match.start()
        first, second = struct.unpack_from("<2H", code, at)
        base = (start + at + 4 & ~3) - start
        if first & 0xFF7F == _LDR:
            found.add(base + (second & 0xFFF) * (1 if first & 0x80 else -1))
        elif first >> 11 == 0b01001:
            found.add(base + 4 * (first & 0xFF))
    return found


def _moves(opcode: int, immediate: int, data: bytes, start: int) -> Iterator[tuple[int, int]]:
    """Where, at even addresses, an instruction moves a 12- or 16-bit immediate to a register, and to which."""
    imm8, imm3, i, imm4 = immediate & 0xFF, immediate >> 8 & 7, immediate >> 11 & 1, immediate >> 12 & 0xF
    low, high, third = (
        re.escape(bytes((each,))) for each in struct.pack("<HB", opcode | i << 10 | imm4, imm8)
    )
    for each in re.finditer(b"%b(?<=%b%b)(?=%b.)" % (high, low, high, third), data, re.DOTALL):
        at = each.start() - 1
        if (start + at) % 2 == 0 and data[at + 3] >> 4 == imm3 and data[at + 3] & 15 != 15:
            yield at, data[at + 3] & 15


def _single(address: int, data: bytes, start: int) -> Iterator[int]:
    """One MOVW (an address below 64 KiB) or one MOV.W with a modified immediate, and no MOVT after it."""
    moves = list(_moves(_MOVW, address, data, start)) if address < 1 << 16 else []
    encoded = modified_immediate(address)
    if encoded is not None:
        moves += _moves(_MOV, encoded, data, start)
    for place, register in moves:
        if not any(_is_upper_half(data, at, register) for at in _following(data, place + 4)):
            yield place


def _is_upper_half(data: bytes, offset: int, register: int) -> bool:
    """Whether a MOVT of the register stands at ``offset``."""
    first, second = struct.unpack_from("<2H", data, offset)
    return first & 0xFBF0 == _MOVT and not second & 0x8000 and second >> 8 & 0xF == register


def modified_immediate(value: int) -> int | None:
    """The 12 bits i:imm3:imm8 that ThumbExpandImm makes ``value`` of; None if there are none."""
    low, high = value & 0xFF, value >> 8 & 0xFF
    for pattern, encoded in (
        (low, low),
        (low | low << 16, 0x100 | low),
        (high << 8 | high << 24, 0x200 | high),
        (low * 0x0101_0101, 0x300 | low),
    ):
        if pattern == value:
            return encoded
    for rotation in range(8, 32):
        turned = (value << rotation | value >> (32 - rotation)) & 0xFFFF_FFFF
        if 0x80 <= turned <= 0xFF:
            return rotation << 7 | turned & 0x7F
    return None


def _shifted(address: int, data: bytes, start: int) -> Iterator[HeldLiteral]:
    """MOVS Rd, #imm8 and LSLS Rd, Rd, #n after it, as code without MOVT does it."""
    zeros = (address & -address).bit_length() - 1
    for shift in range(max(1, address.bit_length() - 8), zeros + 1):
        for offset, register in _short_moves(address >> shift, data, start):
            left = struct.pack("<H", shift << 6 | register << 3 | register)
            if any(data[at : at + 2] == left for at in _following(data, offset + 2, 2)):
                yield HeldLiteral(offset, "a pair of instructions")


def _short_moves(immediate: int, data: bytes, start: int) -> Iterator[tuple[int, int]]:
    """Where, at even addresses, a MOVS moves an 8-bit immediate to a register, and to which."""
    for register in range(8):
        for at in offsets_of(struct.pack("<H", 0x2000 | register << 8 | immediate), data):
            if (start + at) % 2 == 0 and not _is_second_half(data, at):
                yield at, register


def _following(data: bytes, offset: int, size: int = 4) -> range:
    """Offsets of halfwords after ``offset`` at which the second of a pair, of ``size`` bytes, may stand."""
    return range(offset, min(len(data) - size + 1, offset + PAIR_DISTANCE), 2)
