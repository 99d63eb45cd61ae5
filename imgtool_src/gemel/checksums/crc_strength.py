"""How many bit errors a CRC is sure to find over a given number of bytes, and blank memory that verifies.

A CRC has Hamming distance N over a length if every pattern of fewer than N wrong bits, in the covered bytes
and the CRC together, is found.  It depends on the polynomial and the length alone; start value, inversion,
reflections, feed and byte order only move bits or turn them over, and a polynomial and its mirror image
are as strong.  Two properties hold at any length: one burst as wide as the CRC is found, and of all
other changes one in 2**width is missed.  A CRC is no evidence against deliberate change.

Sources: "32-Bit Cyclic Redundancy Codes for Internet Applications", International Conference on Dependable
Systems and Networks, 2002, and "Cyclic Redundancy Code (CRC) Polynomial Selection For Embedded Networks",
same conference, 2004 (titles and year of the second from memory).  All bounds were recomputed by searching
for the shortest codewords of weight 2, 3, 4 and 5; the tests do so again for the short ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache, lru_cache

from gemel.checksums.algorithms import Algorithm, compute
from gemel.checksums.crc_catalogue import CatalogueEntry, CrcParameters, catalogue, reversed_bits
from gemel.structs import Struct

_BOUNDS = """\
 8 07             0      0         119         119
 8 1D             0      6          13         247
 8 2F             3      3         119         119
 8 31             0      0         119         119
 8 39             0      9           9           9
 8 49             0      0          97          97
 8 9B             2      2         119         119
 8 A7             3      3         119         119
 8 D5             2      2          85          85
10 175            2      2          25          25
10 233            3      3         501         501
10 3D9            4      4         501         501
11 307           17     17        1012        1012
11 385           20     20          20          20
12 80F            1      1        2035        2035
12 D31            5     13        1073        1073
12 F13           16     16        2035        2035
14 0805           0      0        8177        8177
14 202D          25     25        8177        8177
15 4599         112    112         112         112
15 6815          13     48          48          48
16 0589         112    112         238         238
16 080B           0     55        1012        3839
16 1021           0      0       32751       32751
16 1DCF          11    104        2743        2743
16 3D65         135    135         135         135
16 5935          35    241         241         241
16 755B          20    108        7985        7985
16 8005           0      0       32751       32751
16 8BB7          23     47         353       65519
16 C867          11     44         361       65519
17 1685B        238    238         238         238
21 102899      1002   1002        1002        1002
24 00065B       476    476     8388583     8388583
24 328B63       822    822     8388583     8388583
24 5D6DCB      2024   2024        4070        4070
24 800063         4      4     8388583     8388583
24 864CFB       517    517     8388583     8388583
30 2030B9C7    1762   1762   536870881   536870881
32 000000AF     325   2770      107274  4294967263
32 04C11DB7     268   2974       91607  4294967263
32 1EDC6F41    5243   5243  2147483615  2147483615
32 32583499   32738  32738       65506       65506
32 741B8CD7   16360  16360      114663      114663
32 8001801B      30     30       65502       65502
32 814141AB    2275   2275  2147483615  2147483615
32 A833982B    1060  65505       65505       65505
32 F4ACFB13   32736  32736       65502       65502
"""
"""Width, polynomial, and the most covered bits with a distance of at least 6, 5, 4 and 3; beyond, it is 2."""

_ECMA_POLY = 0x42F0E1EBA9EA3693
_ECMA_BITS = 134_217_729
"""The 64-bit polynomial has no codeword of weight 2 or 3 up to here; further was not searched."""


class Strength(Struct):
    """The distance that is guaranteed, at least (6 stands for 6 and more).

    It holds while no more than ``up_to_bytes`` are covered; None: whatever the length.
    """

    distance: int
    up_to_bytes: int | None


def guaranteed_distance(parameters: CrcParameters, covered_bytes: int) -> Strength | None:
    """The distance over ``covered_bytes``, 2 to 6, or None where it is not known for that polynomial."""
    bounds = _bounds_of(parameters)
    if bounds is None:
        return None
    for distance, bits in bounds:
        if covered_bytes * 8 <= bits:
            return Strength(distance, bits // 8)
    return None if parameters.width == 64 else Strength(2, None)


def covered_at_most(parameters: CrcParameters, distance: int) -> int | None:
    """The most bytes over which ``distance`` (2 to 6) is guaranteed, or None where it is not known.

    0 where the polynomial never has that distance.  For distance 2, which has no limit, 2**61.
    """
    bounds = _bounds_of(parameters)
    if bounds is None:
        return None
    if distance <= 2:
        return 1 << 61
    return max((bits // 8 for known, bits in bounds if known >= distance), default=0)


def better_algorithm(parameters: CrcParameters, covered_bytes: int, distance: int) -> str | None:
    """A catalogue algorithm with ``distance`` over ``covered_bytes``: as wide if there is one, else wider.

    Of several the one that keeps it longest, then the one with the longest reach at distance 6, then one
    that distinguishes cleared memory from a message, then the one with most names.  None if there is none: then the
    ranges must be split and each part be given its own CRC.
    """
    for width in dict.fromkeys((parameters.width, 16, 24, 32)):
        reaching = [
            (_merit(entry, distance), entry.name)
            for entry in catalogue().values()
            if entry.parameters.width == width >= parameters.width
            and (covered_at_most(entry.parameters, distance) or 0) >= covered_bytes
        ]
        if reaching:
            return max(reaching)[1]
    return None


def _merit(entry: CatalogueEntry, distance: int) -> tuple[int, int, bool, int]:
    parameters = entry.parameters
    reach = covered_at_most(parameters, distance) or 0
    reach_at_6 = covered_at_most(parameters, 6) or 0
    return reach, reach_at_6, bool(parameters.init or parameters.xorout), len(entry.aliases)


@lru_cache(64)
def blank_range_verifies(algorithm: Algorithm, size: int, blank_byte: int) -> bool:
    """Whether ``size`` bytes of ``blank_byte`` match a checksum whose own bytes are blank too.

    Such a checksum says of a device that was erased, or cleared, that all is well.  ``size`` must come out even
    in the units of the algorithm, else LayoutError is raised.
    """
    mask = (1 << algorithm.bits) - 1
    stored = int.from_bytes(bytes((blank_byte,)) * 8, "little")
    return compute(algorithm, _blank(blank_byte, size)) == stored & mask


def _blank(byte: int, size: int) -> Iterator[bytes]:
    block = bytes((byte,)) * min(size, 1 << 16)
    while size > 0:
        yield block[:size]
        size -= len(block)


def _bounds_of(parameters: CrcParameters) -> tuple[tuple[int, int], ...] | None:
    """Pairs of a distance and the most bits it holds for, falling distances, rising bits."""
    width, poly = parameters.width, parameters.poly
    mirrored = reversed_bits(poly | 1 << width, width + 1) & parameters.mask
    table = _table()
    return table.get((width, poly)) or table.get((width, mirrored))


@cache
def _table() -> dict[tuple[int, int], tuple[tuple[int, int], ...]]:
    table: dict[tuple[int, int], tuple[tuple[int, int], ...]] = {(64, _ECMA_POLY): ((4, _ECMA_BITS),)}
    for line in _BOUNDS.splitlines():
        width, poly, *bits = line.split()
        table[int(width), int(poly, 16)] = tuple(zip((6, 5, 4, 3), map(int, bits), strict=True))
    return table
