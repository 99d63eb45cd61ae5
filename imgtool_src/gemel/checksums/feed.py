"""The unit in which memory enters a checksum: byte by byte, or a halfword or word at a time.

A device's CRC unit that is fed a 32-bit register takes each little-endian word from memory and shifts it
in most significant bit first.  Seen as bytes, the four bytes of each word come in the other order:

    memory     00 01 02 03  04 05 06 07
    half-word  01 00 03 02  05 04 07 06
    word       03 02 01 00  07 06 05 04

The algorithm's ``refin`` then acts on each of these bytes.  (A CRC unit that reverses whole words of 32
bits, so that each word enters least significant bit first, sees memory in byte order: that is feed ``byte``
with ``refin``.)  Common practice.
"""

from __future__ import annotations

import sys
from array import array
from collections.abc import Iterable, Iterator
from typing import Literal

from gemel.checksums.crc_engine import MessageBytes
from gemel.errors import LayoutError, Problem

Feed = Literal["byte", "half-word", "word"]
"""Unit in which the device takes memory."""

UNIT_SIZES: dict[Feed, int] = {"byte": 1, "half-word": 2, "word": 4}
"""Bytes in each unit."""

_AT_ONCE = 1 << 18
_TYPE_CODES = {2: "H", 4: "I"}


def size_problem(unit: int, size: int) -> Problem | None:
    """What is wrong with taking ``size`` bytes in units of ``unit`` bytes; None when they come out even."""
    if size % unit == 0:
        return None
    name = {2: "halfwords", 4: "words"}[unit]
    return Problem(
        f"covered bytes do not come out even in {name}",
        found=f"{size:,} bytes",
        expected=f"a multiple of {unit} bytes",
        next_step="change the ranges, or feed bytes",
    )


def fed(blocks: Iterable[MessageBytes], feed: Feed) -> Iterator[MessageBytes]:
    """The bytes of ``blocks`` in the order in which they enter the checksum, in blocks of bounded size.

    Raises LayoutError at the end when the bytes do not come out even in units.
    """
    unit = UNIT_SIZES[feed]
    if unit == 1:
        yield from (block for block in blocks if len(block))
        return
    for piece in in_units(blocks, unit):
        units = array(_TYPE_CODES[unit], piece)
        units.byteswap()
        yield units.tobytes()


def unit_values(blocks: Iterable[MessageBytes], unit: int, big_endian: bool) -> Iterator[Iterable[int]]:
    """The bytes read as unsigned numbers of ``unit`` bytes, in blocks of bounded size.

    Raises LayoutError at the end when the bytes do not come out even in units.
    """
    for piece in in_units(blocks, unit):
        if unit == 1:
            yield piece
            continue
        units = array(_TYPE_CODES[unit], piece)
        if big_endian == (sys.byteorder == "little"):
            units.byteswap()
        yield units


def in_units(blocks: Iterable[MessageBytes], unit: int) -> Iterator[bytes]:
    """The same bytes cut at whole units, whatever the cuts before, in blocks of at most 256 KiB.

    Raises LayoutError at the end when the bytes do not come out even in units.
    """
    rest = b""
    size = 0
    for block in blocks:
        size += len(block)
        for start in range(0, len(block), _AT_ONCE):
            piece = rest + bytes(block[start : start + _AT_ONCE])
            even = len(piece) - len(piece) % unit
            rest = piece[even:]
            if even:
                yield piece[:even]
    if problem := size_problem(unit, size):
        raise LayoutError(problem)
