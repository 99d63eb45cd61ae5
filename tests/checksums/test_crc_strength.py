"""The table of Hamming distances, recomputed where that takes seconds, and blank ranges."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.checksums import crc_strength
from gemel.checksums.algorithms import algorithm_from
from gemel.checksums.crc_catalogue import CrcParameters, catalogue, find
from gemel.checksums.crc_engine import crc
from gemel.checksums.crc_strength import (
    Strength,
    better_algorithm,
    blank_range_verifies,
    covered_at_most,
    guaranteed_distance,
)

TABLE = {key: dict(bounds) for key, bounds in crc_strength._table().items()}
"""By width and polynomial: the most covered bits by distance."""

FEASIBLE = {2: 200_000, 3: 200_000, 4: 3_100, 5: 400}
"""Longest codeword, in bits, that the search below looks for to find it, by its weight."""

GLANCE = {2: 20_000, 3: 20_000, 4: 800, 5: 150}
"""How far it looks where the codeword is out of reach, to see that there is no shorter one."""


def parameters_named(name: str) -> CrcParameters:
    entry = find(name)
    assert entry is not None
    return entry.parameters


def remainders(width: int, poly: int, count: int) -> list[int]:
    """x**0, x**1, ... modulo the polynomial: what one wrong bit at each place adds to the CRC."""
    found = [1]
    for _ in range(count):
        moved = found[-1] << 1
        found.append(moved ^ (1 << width | poly) if moved >> width else moved)
    return found


def shortest_codeword(width: int, poly: int, weight: int, longest: int) -> int | None:
    """The degree of the shortest multiple of the polynomial with that many terms, up to ``longest``.

    A multiple with a constant term, 1 + ... + x**n: the other terms must add up to what these two leave.
    """
    single = remainders(width, poly, longest)
    seen: set[int] = set()
    pairs: set[int] = set()
    for degree in range(1, longest + 1):
        wanted = single[degree] ^ 1
        found = {
            2: lambda wanted=wanted: wanted == 0,
            3: lambda wanted=wanted: wanted in seen,
            4: lambda wanted=wanted: (
                not seen.isdisjoint([wanted ^ other for other in seen if other != wanted])
            ),
            5: lambda wanted=wanted: any((wanted ^ other) in pairs for other in seen),
        }[weight]()
        if found:
            return degree
        if weight == 5:
            pairs.update(single[degree] ^ other for other in seen)
        if weight > 2:
            seen.add(single[degree])
    return None


@pytest.mark.parametrize("weight", [2, 3, 4, 5])
@pytest.mark.parametrize(
    ("width", "poly"), [key for key in TABLE if key[0] < 64], ids=lambda number: f"{number:X}"
)
def test_bounds_against_a_search(width: int, poly: int, weight: int) -> None:
    """The shortest codeword of each weight, found by search, agrees with the bound for its distance.

    Where the table's bound lies beyond what is feasible here, the search shows that no shorter codeword
    exists up to there.
    """
    bounds = TABLE[width, poly]
    stated = bounds[weight + 1]
    if stated + width + 1 > FEASIBLE[weight]:
        assert shortest_codeword(width, poly, weight, GLANCE[weight]) is None
        return
    degree = shortest_codeword(width, poly, weight, stated + width + 1)
    weaker = bounds.get(weight, float("inf"))
    if stated < weaker:
        assert degree == stated + width
    else:
        assert degree is None or degree - width >= stated


@pytest.mark.parametrize(
    ("name", "distance", "bits"),
    [
        ("CRC-8/SMBUS", 4, 119),
        ("CRC-8/MAXIM-DOW", 4, 119),
        ("CRC-8/AUTOSAR", 4, 119),
        ("CRC-8/SAE-J1850", 3, 247),
        ("CRC-8/SAE-J1850", 4, 13),
        ("CRC-8/SAE-J1850", 5, 6),
        ("CRC-16/IBM-3740", 4, 32_751),
        ("CRC-16/MODBUS", 4, 32_751),
        ("CRC-16/DNP", 6, 135),
        ("CRC-16/T10-DIF", 4, 353),
        ("CRC-16/T10-DIF", 3, 65_519),
        ("CRC-32/ISO-HDLC", 6, 268),
        ("CRC-32/ISO-HDLC", 5, 2_974),
        ("CRC-32/ISO-HDLC", 4, 91_607),
        ("CRC-32/ISCSI", 6, 5_243),
        ("CRC-32/AUTOSAR", 6, 32_736),
        ("CRC-32/AUTOSAR", 4, 65_502),
        ("CRC-32/MEF", 6, 16_360),
    ],
)
def test_published_bounds(name: str, distance: int, bits: int) -> None:
    """Bounds from the polynomial literature (Dependable Systems and Networks, 2002 and 2004)."""
    assert TABLE[parameters_named(name).width, parameters_named(name).poly][distance] == bits
    assert covered_at_most(parameters_named(name), distance) == bits // 8


def test_three_wrong_bits_pass_crc32_at_the_first_length_without_distance_four() -> None:
    """Beyond 11,450 bytes CRC-32's polynomial misses three wrong bits: shown on a real message."""
    p = parameters_named("CRC-32/MPEG-2")
    degree = 91_607 + 32
    single = remainders(32, p.poly, degree)
    middle = single.index(single[degree] ^ 1)
    message = bytes(range(256)) * 44 + bytes(187)
    assert len(message) == 11_451
    code = int.from_bytes(message + crc(p, [message]).to_bytes(4, "big"), "big")
    wrong = (code ^ 1 ^ 1 << middle ^ 1 << degree).to_bytes(len(message) + 4, "big")
    assert wrong[:-4] != message
    assert crc(p, [wrong[:-4]]) == int.from_bytes(wrong[-4:], "big")
    assert guaranteed_distance(p, len(message)) == Strength(3, 536_870_907)


@pytest.mark.parametrize(("name", "distance"), [("CRC-8/SAE-J1850", 4), ("CRC-12/GSM", 5), ("CRC-16/DNP", 6)])
def test_every_pattern_of_fewer_bits_is_found(name: str, distance: int) -> None:
    """On a message of the longest guaranteed size, at most 4 bytes, all patterns of fewer bits are tried."""
    p = parameters_named(name)
    size = min(covered_at_most(p, distance) or 0, 4)
    message = bytes(range(1, size + 1))
    good = crc(p, [message])
    number = int.from_bytes(message, "big")
    for weight in range(1, distance):
        for places in combinations(range(size * 8), weight):
            wrong = number
            for place in places:
                wrong ^= 1 << place
            changed = (crc(p, [wrong.to_bytes(size, "big")]) ^ good).bit_count()
            assert changed + weight >= distance


def test_distances_fall_with_the_length() -> None:
    """From one length to the next longer the distance never rises, and each bound is where it falls."""
    for entry in catalogue().values():
        strength = guaranteed_distance(entry.parameters, 1)
        if strength is None:
            continue
        while strength and strength.up_to_bytes is not None:
            assert guaranteed_distance(entry.parameters, strength.up_to_bytes) == strength
            longer = guaranteed_distance(entry.parameters, strength.up_to_bytes + 1)
            assert longer is None or longer.distance < strength.distance
            strength = longer


@given(st.sampled_from(list(catalogue())), st.integers(1, 1 << 20), st.integers(2, 6))
def test_the_two_questions_agree(name: str, size: int, distance: int) -> None:
    """A size has at least a distance exactly when it is not above the most bytes for that distance."""
    p = parameters_named(name)
    strength, most = guaranteed_distance(p, size), covered_at_most(p, distance)
    if p.width < 64:
        assert (strength is None) == (most is None)
    if strength is not None and most is not None:
        assert (strength.distance >= distance) == (size <= most)


def test_distance_does_not_depend_on_anything_but_the_polynomial() -> None:
    """All algorithms of one polynomial, and of its mirror image, are equally strong."""
    expected = guaranteed_distance(parameters_named("CRC-32"), 10_000)
    assert expected == Strength(4, 11_450)
    for name in ("CRC-32/MPEG-2", "CRC-32/BZIP2", "JAMCRC", "CKSUM"):
        assert guaranteed_distance(parameters_named(name), 10_000) == expected
    mirrored = CrcParameters(32, 0xDB710641, 0, False, False, 0)
    assert guaranteed_distance(mirrored, 10_000) == expected


def test_what_is_not_known_is_not_guessed() -> None:
    """A polynomial that is not in the table, and a length that was not searched, give None."""
    own = CrcParameters(32, 0x04C11DB9, 0, False, False, 0)
    assert guaranteed_distance(own, 8) is None
    assert covered_at_most(own, 4) is None
    xz = parameters_named("CRC-64/XZ")
    assert guaranteed_distance(xz, 16 << 20) == Strength(4, 16_777_216)
    assert guaranteed_distance(xz, 32 << 20) is None


@pytest.mark.parametrize(
    ("name", "size", "distance", "better"),
    [
        ("CRC-32", 11_451, 4, "CRC-32/ISCSI"),
        ("CRC-32/AUTOSAR", 1 << 20, 4, "CRC-32/ISCSI"),
        ("CRC-32", 4_000, 6, "CRC-32/AUTOSAR"),
        ("CRC-8/SMBUS", 20, 4, "CRC-16/IBM-SDLC"),
        ("CRC-16/ARC", 1 << 20, 4, "CRC-32/ISCSI"),
        ("CRC-32", 1 << 20, 6, None),
        ("CRC-32", 1 << 29, 4, None),
    ],
)
def test_a_better_algorithm(name: str, size: int, distance: int, better: str | None) -> None:
    """What is proposed keeps the distance over that size and is no narrower; or there is nothing."""
    found = better_algorithm(parameters_named(name), size, distance)
    assert found == better
    if found:
        strength = guaranteed_distance(parameters_named(found), size)
        assert strength is not None
        assert strength.distance >= distance


@pytest.mark.parametrize(
    ("name", "size", "byte", "verifies"),
    [
        ("CRC-32", 4, 0xFF, True),
        ("CRC-32", 1024, 0xFF, False),
        ("CRC-32", 1024, 0x00, False),
        ("CRC-32/AUTOSAR", 4, 0xFF, True),
        ("CRC-16/XMODEM", 1024, 0x00, True),
        ("CRC-16/ARC", 1024, 0x00, True),
        ("CRC-16/UMTS", 1024, 0x00, True),
        ("CRC-32/AIXM", 1024, 0x00, True),
        ("CRC-32/XFER", 1024, 0x00, True),
        ("CRC-32/CD-ROM-EDC", 200_000, 0x00, True),
        ("CRC-16/IBM-3740", 1024, 0x00, False),
        ("sum-32", 1024, 0x00, True),
        ("inverted-sum-8", 1024, 0x00, False),
        ("inverted-xor-8", 1024, 0xFF, True),
    ],
)
def test_blank_ranges(name: str, size: int, byte: int, verifies: bool) -> None:
    """Erased words verify under CRC-32, cleared memory under start value 0 without inversion (recomputed)."""
    assert blank_range_verifies(algorithm_from(name), size, byte) is verifies


def test_a_blank_range_under_a_narrow_value() -> None:
    """Values narrower than their bytes drop what is above."""
    assert blank_range_verifies(algorithm_from("CRC-5/G-704"), 64, 0x00)
