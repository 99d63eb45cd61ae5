"""Sums and exclusive-ors against plain loops, names of algorithms, feeds, and bytes as stored."""

from __future__ import annotations

import pytest
from crccheck.checksum import Checksum8, Checksum16, Checksum32, ChecksumXor8, ChecksumXor16, ChecksumXor32
from hypothesis import given, settings
from hypothesis import strategies as st

from gemel.checksums.algorithms import (
    CrcAlgorithm,
    SumAlgorithm,
    XorAlgorithm,
    algorithm_from,
    algorithm_named,
    compute,
    fed,
    feed_problem,
    in_units,
    size_problem,
    stored_bytes,
    stored_size,
    sums_by_name,
    unit_size,
)
from gemel.checksums.crc_catalogue import CrcParameters
from gemel.errors import LayoutError
from gemel.layout.model import CrcTable

SUMS = sorted(set(sums_by_name().values()), key=lambda algorithm: algorithm.name)


def cut(message: bytes, cuts: list[int]) -> list[bytes]:
    """The message in pieces, cut at the given places."""
    ends = sorted(min(place, len(message)) for place in cuts)
    return [message[start:end] for start, end in zip([0, *ends], [*ends, len(message)], strict=True)]


@pytest.mark.parametrize("algorithm", SUMS, ids=lambda algorithm: algorithm.name)
@given(
    words=st.lists(st.binary(min_size=4, max_size=4), max_size=50),
    cuts=st.lists(st.integers(0, 200), max_size=4),
)
@settings(max_examples=25, deadline=None)
def test_sums_against_a_plain_loop(
    algorithm: SumAlgorithm | XorAlgorithm, words: list[bytes], cuts: list[int]
) -> None:
    """Every sum and exclusive-or equals a loop over its units, however the message is cut."""
    message = b"".join(words)
    unit = algorithm.unit if isinstance(algorithm, SumAlgorithm) else algorithm.bits // 8
    expected = 0
    for start in range(0, len(message), unit):
        number = int.from_bytes(message[start : start + unit], algorithm.unit_order)
        expected = expected ^ number if isinstance(algorithm, XorAlgorithm) else expected + number
    expected %= 1 << algorithm.bits
    if algorithm.form == "negated":
        expected = (1 << algorithm.bits) - expected if expected else 0
    elif algorithm.form == "inverted":
        expected = (1 << algorithm.bits) - 1 - expected
    assert compute(algorithm, cut(message, cuts)) == expected


@given(words=st.lists(st.binary(min_size=4, max_size=4), min_size=1))
def test_sums_against_an_independent_library(words: list[bytes]) -> None:
    """Sums and exclusive-ors of big-endian units as wide as themselves equal those of crccheck."""
    message = b"".join(words)
    pairs = {
        "sum-8": Checksum8,
        "sum-16-big-endian": Checksum16,
        "sum-32-big-endian": Checksum32,
        "xor-8": ChecksumXor8,
        "xor-16-big-endian": ChecksumXor16,
        "xor-32-big-endian": ChecksumXor32,
    }
    for name, other in pairs.items():
        assert compute(algorithm_from(name), [message]) == other.calc(message), name


@given(message=st.binary(max_size=64))
def test_a_negated_sum_and_its_message_add_up_to_zero(message: bytes) -> None:
    """The use of a negated sum: the sum over the message and the stored value is 0."""
    negated = compute(algorithm_from("negated-sum-8"), [message])
    assert compute(algorithm_from("sum-8"), [message, bytes((negated,))]) == 0
    inverted = compute(algorithm_from("inverted-sum-8"), [message])
    assert compute(algorithm_from("sum-8"), [message, bytes((inverted,))]) == 0xFF


def test_a_large_sum_keeps_within_its_width() -> None:
    """A sum over a megabyte of 0xFF wraps at its width."""
    block = b"\xff" * (1 << 20)
    assert compute(algorithm_from("sum-16-of-bytes"), [block]) == 0xFF * (1 << 20) % (1 << 16)
    assert compute(algorithm_from("sum-64-of-words"), [block]) == 0xFFFFFFFF * (1 << 18)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("sum-8", SumAlgorithm(8, 1)),
        ("sum-16", SumAlgorithm(16, 2)),
        ("sum-32", SumAlgorithm(32, 4)),
        ("Negated-Sum-32-of-Half-Words", SumAlgorithm(32, 2, "negated")),
        ("inverted-sum-32-big-endian", SumAlgorithm(32, 4, "inverted", "big")),
        ("sum-64-of-bytes", SumAlgorithm(64, 1)),
        ("xor-32", XorAlgorithm(32)),
        ("inverted-xor-16-big-endian", XorAlgorithm(16, "inverted", "big")),
    ],
)
def test_names_of_sums(name: str, expected: SumAlgorithm | XorAlgorithm) -> None:
    """A sum's name says its form, width, unit and order, and the full name leads back to it."""
    algorithm = algorithm_named(name)
    assert algorithm == expected
    assert algorithm_named(expected.name) == expected


@pytest.mark.parametrize("name", ["sum-8-of-words", "sum-64", "sum-24", "negated-xor-8", "sum-8-big-endian"])
def test_sums_that_make_no_sense_have_no_name(name: str) -> None:
    """No sum drops part of a single unit, and none has an order it cannot have."""
    assert algorithm_named(name) is None


def test_an_unknown_name_is_refused_with_the_nearest() -> None:
    """The problem says where, what was found and which names are near."""
    with pytest.raises(LayoutError) as caught:
        algorithm_from("CRC-32/ISCS", "checksum station-crc")
    (problem,) = caught.value.problems
    assert problem.where == "checksum station-crc"
    assert problem.found == "CRC-32/ISCS"
    assert problem.next_step.startswith("nearest: CRC-32/ISCSI")
    with pytest.raises(LayoutError) as caught:
        algorithm_from("negatet-sum-32")
    assert "negated-sum-32" in caught.value.problems[0].next_step


def test_parameters_of_a_layout() -> None:
    """A layout's table of parameters gives the algorithm, by its catalogue name where it has one."""
    table = CrcTable(width=32, poly=0x04C11DB7, init=0xFFFFFFFF, refin=True, refout=True, xorout=0xFFFFFFFF)
    algorithm = algorithm_from(table)
    assert isinstance(algorithm, CrcAlgorithm)
    assert algorithm.name == "CRC-32/ISO-HDLC"
    assert compute(algorithm, [b"123456789"]) == 0xCBF43926
    own = algorithm_from(CrcParameters(12, 0xF13, 0, False, True, 0xFFF))
    assert own.name == "CRC with width 12, poly 0xF13, init 0x000, refin false, refout true, xorout 0xFFF"


def test_faults_of_parameters_are_all_raised() -> None:
    """Every fault of a layout's table is reported at once."""
    with pytest.raises(LayoutError) as caught:
        algorithm_from(CrcTable(width=8, poly=0x130, init=0x100, refin=True, refout=True, xorout=0x100))
    assert len(caught.value.problems) == 3


def test_feed_orders_memory_as_the_device_takes_it() -> None:
    """Half-words and words come most significant byte first; the bytes are those of the module's table."""
    memory = bytes(range(8))
    assert b"".join(fed([memory], "byte")) == memory
    assert b"".join(fed([memory], "half-word")) == bytes((1, 0, 3, 2, 5, 4, 7, 6))
    assert b"".join(fed([memory], "word")) == bytes((3, 2, 1, 0, 7, 6, 5, 4))


@given(words=st.lists(st.binary(min_size=4, max_size=4)), cuts=st.lists(st.integers(0, 100), max_size=5))
def test_feed_does_not_depend_on_the_cuts(words: list[bytes], cuts: list[int]) -> None:
    """Units that lie across two blocks are put together, and a word feed is a reversal of each word."""
    message = b"".join(words)
    assert b"".join(fed(cut(message, cuts), "word")) == b"".join(word[::-1] for word in words)
    halves = [message[start : start + 2][::-1] for start in range(0, len(message), 2)]
    assert b"".join(fed(cut(message, cuts), "half-word")) == b"".join(halves)


def test_a_large_block_is_fed_in_bounded_pieces() -> None:
    """However large a block is, no piece of more than 256 KiB and a unit is made of it."""
    pieces = list(in_units([bytes(3), bytes(1 << 20), b"\x01"], 4))
    assert sum(map(len, pieces)) == (1 << 20) + 4
    assert max(map(len, pieces)) <= (1 << 18) + 4


@pytest.mark.parametrize(
    ("name", "feed", "size"),
    [
        ("CRC-32/MPEG-2", "word", 6),
        ("CRC-16/ARC", "half-word", 7),
        ("sum-32", "byte", 5),
        ("xor-16", "byte", 1),
    ],
)
def test_bytes_that_do_not_come_out_even_are_refused(name: str, feed, size: int) -> None:
    """A length that is no multiple of the unit is an error with both numbers, never cut or filled up."""
    algorithm = algorithm_from(name)
    with pytest.raises(LayoutError) as caught:
        compute(algorithm, [bytes(size)], feed)
    (problem,) = caught.value.problems
    assert problem.found == f"{size} bytes"
    assert problem.expected == f"a multiple of {unit_size(algorithm, feed)} bytes"


def test_size_problem_names_the_units() -> None:
    """The same problem can be had beforehand."""
    assert size_problem(4, 4096) is None
    assert str(size_problem(4, 1_000_001)) == (
        "covered bytes do not come out even in words; found 1,000,001 bytes; "
        "expected a multiple of 4 bytes; change the ranges, or feed bytes"
    )


def test_a_sum_takes_no_feed() -> None:
    """A feed with a sum, whose name says its unit, is refused in words."""
    algorithm = algorithm_from("sum-32")
    problem = feed_problem(algorithm, "word")
    assert problem is not None
    assert problem.what == "feed word for a sum"
    with pytest.raises(LayoutError):
        compute(algorithm, [bytes(4)], "word")
    assert feed_problem(algorithm, "byte") is None
    assert feed_problem(algorithm_from("CRC-32"), "word") is None


@pytest.mark.parametrize(
    ("name", "value", "order", "expected"),
    [
        ("CRC-32", 0xCBF43926, "little", "26 39 f4 cb"),
        ("CRC-32", 0xCBF43926, "big", "cb f4 39 26"),
        ("CRC-15/CAN", 0x059E, "little", "9e 05"),
        ("CRC-5/USB", 0x19, "big", "19"),
        ("CRC-24/OPENPGP", 0x21CF02, "big", "21 cf 02"),
        ("CRC-64/XZ", 0x995DC9BBDF1939FA, "little", "fa 39 19 df bb c9 5d 99"),
        ("sum-16-of-bytes", 0x1234, "big", "12 34"),
    ],
)
def test_stored_bytes(name: str, value: int, order, expected: str) -> None:
    """A value is stored in whole bytes, in the byte order asked for."""
    algorithm = algorithm_from(name)
    assert stored_bytes(algorithm, value, order) == bytes.fromhex(expected)
    assert stored_size(algorithm) == len(bytes.fromhex(expected))
