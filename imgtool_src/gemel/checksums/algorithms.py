"""Checksum algorithms by name: every CRC, and sums and exclusive-ors of bytes, halfwords or words.

Names of the CRC catalogue and their aliases are in ``crc_catalogue``.  A sum's name says it all:

    [negated- | inverted-]sum-BITS-of-UNITS[-big-endian]      sum-16-of-bytes, negated-sum-32-of-words
    [inverted-]xor-BITS[-big-endian]                          xor-8, xor-32

BITS (8, 16, 32, 64) is the width of the result, which drops what does not fit; UNITS (bytes, half-words,
words) is what is added up, read from memory little-endian unless the name ends in ``-big-endian``.
``negated`` is the two's complement: the sum and its stored value add up to 0.  ``inverted`` is the one's
complement: they add up to all ones.  ``sum-8``, ``sum-16`` and ``sum-32`` add up units of their own width.

Memory enters a checksum in units: byte by byte, or a halfword or word at a time.
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
from functools import cache, lru_cache
from itertools import product
from typing import TYPE_CHECKING, Literal

from gemel.checksums.crc_catalogue import (
    CrcParameters,
    all_names,
    find,
    meant_by,
    name_of,
    parameter_problems,
)
from gemel.checksums.crc_engine import MessageBytes, crc
from gemel.errors import LayoutError, Problem
from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.layout.model import CrcTable


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


ByteOrder = Literal["little", "big"]
"""Order of the bytes of a value in memory."""

SumForm = Literal["plain", "negated", "inverted"]
"""What becomes of a sum at the end: nothing, its two's complement, its one's complement."""

_UNIT_NAMES = {1: "bytes", 2: "half-words", 4: "words"}


class CrcAlgorithm(Struct):
    """A CRC; ``name`` is its catalogue name, or its parameters where it has none."""

    name: str
    parameters: CrcParameters

    @property
    def bits(self) -> int:
        """Width of the value in bits."""
        return self.parameters.width


class SumAlgorithm(Struct):
    """A sum of units modulo 2**bits.  ``unit`` is 1, 2 or 4 bytes; ``unit_order`` how they are read."""

    bits: int
    unit: int
    form: SumForm = "plain"
    unit_order: ByteOrder = "little"

    @property
    def name(self) -> str:
        """The name that a layout gives it."""
        form = "" if self.form == "plain" else f"{self.form}-"
        order = "-big-endian" if self.unit_order == "big" else ""
        return f"{form}sum-{self.bits}-of-{_UNIT_NAMES[self.unit]}{order}"


class XorAlgorithm(Struct):
    """The exclusive-or of units as wide as the value, 1, 2 or 4 bytes."""

    bits: int
    form: Literal["plain", "inverted"] = "plain"
    unit_order: ByteOrder = "little"

    @property
    def name(self) -> str:
        """The name that a layout gives it."""
        form = "" if self.form == "plain" else f"{self.form}-"
        order = "-big-endian" if self.unit_order == "big" else ""
        return f"{form}xor-{self.bits}{order}"


Algorithm = CrcAlgorithm | SumAlgorithm | XorAlgorithm
"""Any checksum; all have ``name`` and ``bits``."""


def algorithm_from(specification: str | CrcParameters | CrcTable, where: str = "") -> Algorithm:
    """The algorithm of that name or with these parameters.

    ``where`` is what problems name.  Raises LayoutError: an unknown name (with the nearest names), a name
    that several algorithms go by (with these), or every fault of the parameters.
    """
    if isinstance(specification, str):
        algorithm = algorithm_named(specification)
        if algorithm is None:
            raise LayoutError(_unknown(specification, where))
        return algorithm
    parameters = CrcParameters(
        specification.width,
        specification.poly,
        specification.init,
        specification.refin,
        specification.refout,
        specification.xorout,
    )
    if problems := parameter_problems(parameters, where):
        raise LayoutError(problems)
    return crc_algorithm(parameters)


@lru_cache(64)
def algorithm_named(name: str) -> Algorithm | None:
    """The CRC, sum or exclusive-or of that name or alias, or None; case does not matter."""
    if entry := find(name):
        return CrcAlgorithm(entry.name, entry.parameters)
    return sums_by_name().get(name.strip().casefold())


def crc_algorithm(parameters: CrcParameters) -> CrcAlgorithm:
    """The algorithm of sound parameters, with its catalogue name if it has one."""
    return CrcAlgorithm(name_of(parameters) or f"CRC with {parameters}", parameters)


def feed_problem(algorithm: Algorithm, feed: Feed) -> Problem | None:
    """What is wrong with this feed for this algorithm; a sum names its own unit and takes bytes."""
    if feed == "byte" or isinstance(algorithm, CrcAlgorithm):
        return None
    return Problem(
        f"feed {feed} for a sum",
        found=algorithm.name,
        expected="feed byte, or a CRC",
        next_step=f"leave feed out; a name ending in -big-endian reads {feed}s most significant byte first",
    )


def unit_size(algorithm: Algorithm, feed: Feed = "byte") -> int:
    """Number of bytes that are taken at once, of which each covered range must be a multiple."""
    if isinstance(algorithm, SumAlgorithm):
        return algorithm.unit
    return algorithm.bits // 8 if isinstance(algorithm, XorAlgorithm) else UNIT_SIZES[feed]


def compute(algorithm: Algorithm, blocks: Iterable[MessageBytes], feed: Feed = "byte") -> int:
    """The checksum of the blocks one after another, whatever the cuts between them; 0 to 2**bits - 1.

    Raises LayoutError when the bytes do not come out even in the units of the feed or of the sum, or when
    the feed does not go with the algorithm.  Memory use does not depend on the size of the blocks.
    """
    if problem := feed_problem(algorithm, feed):
        raise LayoutError(problem)
    if isinstance(algorithm, CrcAlgorithm):
        return crc(algorithm.parameters, fed(blocks, feed))
    mask = (1 << algorithm.bits) - 1
    if isinstance(algorithm, XorAlgorithm):
        value = _exclusive_or(algorithm, blocks)
    else:
        big = algorithm.unit_order == "big"
        value = sum(sum(units) for units in unit_values(blocks, algorithm.unit, big))
        value = -value if algorithm.form == "negated" else value
    return (~value if algorithm.form == "inverted" else value) & mask


def stored_size(algorithm: Algorithm) -> int:
    """Number of bytes the value takes in memory."""
    return -(-algorithm.bits // 8)


def stored_bytes(algorithm: Algorithm, value: int, byte_order: ByteOrder) -> bytes:
    """``value`` as it stands in memory; zero bits at the top fill it up to whole bytes."""
    return value.to_bytes(stored_size(algorithm), byte_order)


@cache
def sums_by_name() -> dict[str, Algorithm]:
    """Every sum and exclusive-or, by its full name and its short one."""
    orders: tuple[tuple[int, ByteOrder], ...] = (
        (1, "little"),
        (2, "little"),
        (2, "big"),
        (4, "little"),
        (4, "big"),
    )
    forms: tuple[SumForm, ...] = ("plain", "negated", "inverted")
    found: dict[str, Algorithm] = {}
    for (unit, order), form in product(orders, forms):
        for bits in (8, 16, 32, 64)[unit // 2 :]:
            algorithm = SumAlgorithm(bits, unit, form, order)
            found[algorithm.name] = algorithm
            if bits == unit * 8:
                found[algorithm.name.replace(f"-of-{_UNIT_NAMES[unit]}", "")] = algorithm
        if form != "negated":
            exclusive = XorAlgorithm(unit * 8, form, order)
            found[exclusive.name] = exclusive
    return found


def _exclusive_or(algorithm: XorAlgorithm, blocks: Iterable[MessageBytes]) -> int:
    """Folds each block in halves, as one large number, until one unit is left."""
    unit = algorithm.bits // 8
    result = 0
    for piece in in_units(blocks, unit):
        units = 1 << (len(piece) // unit - 1).bit_length()
        value = int.from_bytes(piece, "little")
        while units > 1:
            units //= 2
            half = units * algorithm.bits
            value = (value >> half) ^ (value & ((1 << half) - 1))
        result ^= value
    return int.from_bytes(result.to_bytes(unit, "little"), algorithm.unit_order)


def _unknown(name: str, where: str) -> Problem:
    from difflib import get_close_matches

    if candidates := meant_by(name):
        return Problem(
            "a name of several checksum algorithms",
            where=where,
            found=name,
            expected=f"one of {', '.join(candidates)}",
            next_step="look up start value and reflection in the device's code",
        )
    names = {known.casefold(): known for known in (*all_names(), *sums_by_name())}
    near = [names[match] for match in get_close_matches(name.casefold(), names, n=3, cutoff=0.5)]
    expected = "a name of the CRC catalogue, a sum such as sum-32-of-words, or a table of CRC parameters"
    hint = f"nearest: {', '.join(near)}" if near else ""
    return Problem("unknown checksum algorithm", where=where, found=name, expected=expected, next_step=hint)
