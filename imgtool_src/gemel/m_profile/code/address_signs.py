"""What code needs to put an address of the system control space or of a device together, by its bytes.

Encodings: Armv7-M and Armv8-M architecture reference manuals (from memory).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Iterator
from itertools import groupby

from gemel.spans import offsets_of
from gemel.structs import NamedTuple

REACH, REACH_NARROW = 0xFFF, 0x7C
"""Bytes from its base that STR.W and STR reach."""


class AddressSign(NamedTuple):
    """Bytes that a function needs to put an address together: ``literal``, ``before`` bytes into ``whole``.

    The literal is looked for, which is quick; the pattern is compiled and tried only where it is.
    """

    literal: bytes
    before: int
    whole: bytes


def _sign(literal: bytes, *, before: bytes = b"", after: bytes = b"") -> AddressSign:
    """A literal between two patterns, of which the first is of two bytes or empty."""
    return AddressSign(literal, 2 if before else 0, before + re.escape(literal) + after)


_SIGNS = (
    (b"\x00\xe0", rb".[\xe0-\xef]", b""),  # an address in the system control space
    (b"\xce\xf2\x00", b"", rb"[\x00-\x0e]"),  # MOVT Rd, #0xE000
    (b"\x4f\xf0\xe0", b"", rb"[\x20-\x2e]"),  # MOV.W Rd, #0xE000E000
    # MSR of MSPLIM, MSPLIM_NS and MSP
    *((each + b"\x88", rb"[\x80-\x8e]\xf3", b"") for each in (b"\x0a", b"\x8a", b"\x08")),
)
"""Bytes of functions that may set something of their core, with what stands before and after them."""


def signs_of(addresses: Iterable[int]) -> list[AddressSign]:
    """The same with what puts one of ``addresses`` together from the 4 KiB that it is in."""
    signs = [_sign(literal, before=before, after=after) for literal, before, after in _SIGNS]
    addresses = sorted(addresses)
    for upper, pages in groupby(sorted({address >> 12 for address in addresses}), lambda page: page >> 4):
        second = b"".join(bytes(range((page & 15) << 4, (page & 15) + 1 << 4)) for page in pages)
        signs.append(_sign(struct.pack("<H", upper), before=b".[" + re.escape(second) + b"]"))
    for address in addresses:
        upper = address >> 16
        imm4, i, imm3, imm8 = upper >> 12, upper >> 11 & 1, upper >> 8 & 7, upper & 0xFF
        first = struct.pack("<H", 0xF2C0 | i << 10 | imm4)
        registers = re.escape(bytes(range(imm3 << 4, (imm3 << 4) + 15)))
        signs.append(_sign(first + bytes((imm8,)), after=b"[" + registers + b"]"))
        signs += _signs_of_bases(address)
    return list(dict.fromkeys(signs))


def _signs_of_bases(address: int) -> Iterator[AddressSign]:
    """What puts an address that loads and stores of ``address`` are relative to into a register by shifting a byte.

    MOV.W takes one of eight bits with its highest set; Armv6-M and Armv8-M Baseline do it by MOVS and LSLS.
    """
    for shift in range(4, 32):
        byte = address >> shift
        if 0x80 <= byte <= 0xFF and address - (byte << shift) <= REACH:
            rotation = 32 - shift
            low = struct.pack("<HB", 0xF04F | (rotation >> 4) << 10, (rotation & 1) << 7 | byte & 0x7F)
            registers = bytes(range((rotation >> 1 & 7) << 4, ((rotation >> 1 & 7) << 4) + 15))
            yield _sign(low, after=b"[" + re.escape(registers) + b"]")
        if byte & 0x80 or byte & 1:
            yield from _narrow_signs(address, byte, shift)


def _narrow_signs(address: int, byte: int, shift: int) -> Iterator[AddressSign]:
    if byte > 0xFF or address - (byte << shift) > REACH_NARROW:
        return
    for register in range(8):
        low, high = struct.pack("<H", shift << 6 | register << 3)
        shifted = b"[" + re.escape(bytes(range(low, low + 8))) + b"]" + re.escape(bytes((high,)))
        yield _sign(bytes((byte, 0x20 | register)), after=b"(?:..){0,4}?" + shifted)


def places_of(signs: Iterable[AddressSign], data: bytes) -> Iterator[int]:
    """Where in the bytes a sign begins, at an even offset or not; overlapping ones too."""
    for literal, before, whole in signs:
        pattern = None
        for at in offsets_of(literal, data, before):
            pattern = pattern or re.compile(whole, re.DOTALL)
            if pattern.match(data, at - before):
                yield at - before


STATE_SIGNS = (
    *signs_of(()),
    _sign(b"\xef\xf3\x14", after=rb"[\x80-\x8e]"),  # MRS Rd, CONTROL
    _sign(b"\x1e\xf0\x10\x0f"),  # TST.W LR, #0x10
    _sign(b"\x0e\xf0\x10", after=rb"[\x00-\x0e]"),  # AND.W Rd, LR, #0x10
    _sign(b"\xce\xf3\x00", after=rb"[\x10-\x1e]"),  # UBFX Rd, LR, #4, #1
)
"""Bytes of functions that may test what their core is, or has in use."""
