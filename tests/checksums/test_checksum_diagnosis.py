"""A test for each explanation of a checksum that does not match, and none where there is none."""

from __future__ import annotations

import random
import sys

import pytest

from gemel.checksums import crc_engine
from gemel.checksums.algorithms import algorithm_from, compute, crc_algorithm, stored_bytes
from gemel.checksums.coverages import declared_coverage, usual_alternatives
from gemel.checksums.crc_catalogue import CrcParameters
from gemel.checksums.diagnosis import Coverage, Diagnosis, diagnose
from gemel.image.sparse import SparseBytes
from gemel.spans import Span

MESSAGE = random.Random(2).randbytes(4096)


def whole(data: bytes = MESSAGE, words: str = "") -> Coverage:
    return Coverage(words, len(data), lambda: [data])


def diagnosis(
    stored: bytes,
    declared: str = "CRC-32",
    feed="byte",
    order="little",
    covered: Coverage | None = None,
    alternatives=(),
) -> Diagnosis:
    return diagnose(algorithm_from(declared), feed, order, stored, covered or whole(), alternatives)


def stored_as(name: str, order="little", feed="byte", data: bytes = MESSAGE) -> bytes:
    algorithm = algorithm_from(name)
    return stored_bytes(algorithm, compute(algorithm, [data], feed), order)


def texts(found: Diagnosis) -> list[str]:
    return [str(explanation) for explanation in found.explanations]


def test_byte_order() -> None:
    """A value stored in the other byte order is explained so, and by nothing else."""
    assert texts(diagnosis(stored_as("CRC-32", "big"))) == ["the stored value is right for byte order big"]
    found = diagnosis(stored_as("CRC-32", "little"), order="big")
    assert texts(found) == ["the stored value is right for byte order little"]


@pytest.mark.parametrize("feed", ["half-word", "word"])
def test_feed(feed) -> None:
    """A value made by a CRC unit that takes larger units is explained by them, and the other way round."""
    found = diagnosis(stored_as("CRC-32/MPEG-2", feed=feed), "CRC-32/MPEG-2")
    assert texts(found) == [f"the stored value is right for feed {feed}"]
    found = diagnosis(stored_as("CRC-32/MPEG-2"), "CRC-32/MPEG-2", feed)
    assert texts(found) == ["the stored value is right for feed byte"]


def test_reflection() -> None:
    """Reflections are named, with the catalogue's name for what comes out where it has one."""
    found = diagnosis(stored_as("CRC-32/BZIP2"))
    assert texts(found) == [
        "the stored value is right for refin false and refout false (CRC-32/BZIP2)",
    ]
    half = crc_algorithm(CrcParameters(32, 0x04C11DB7, 0xFFFFFFFF, True, False, 0xFFFFFFFF))
    found = diagnosis(stored_bytes(half, compute(half, [MESSAGE]), "little"))
    assert texts(found) == ["the stored value is right for refin true and refout false"]


def test_start_value() -> None:
    """Another start value, 0 or all ones, is named in the width of the CRC."""
    assert texts(diagnosis(stored_as("CRC-16/XMODEM"), "CRC-16/CCITT-FALSE")) == [
        "the stored value is right for init 0x0000 (CRC-16/XMODEM)"
    ]
    assert texts(diagnosis(stored_as("CRC-16/MODBUS"), "CRC-16/ARC")) == [
        "the stored value is right for init 0xFFFF (CRC-16/MODBUS)"
    ]


def test_final_inversion() -> None:
    """A missing or added inversion at the end is named."""
    assert texts(diagnosis(stored_as("JAMCRC"))) == [
        "the stored value is right for xorout 0x00000000 (CRC-32/JAMCRC)"
    ]
    assert texts(diagnosis(stored_as("CRC-32/BZIP2"), "CRC-32/MPEG-2")) == [
        "the stored value is right for xorout 0xFFFFFFFF (CRC-32/BZIP2)"
    ]


def test_another_algorithm_of_the_catalogue() -> None:
    """A value of another polynomial of the same width is explained by the algorithm's name."""
    assert texts(diagnosis(stored_as("CRC-32C"))) == ["the stored value is right for CRC-32/ISCSI"]
    assert texts(diagnosis(stored_as("CRC-64/XZ"), "CRC-64/NVME")) == [
        "the stored value is right for CRC-64/XZ"
    ]


def test_a_sum_instead_of_another() -> None:
    """Sums are told apart by unit, form and order, and from a CRC of the same width."""
    assert texts(diagnosis(stored_as("negated-sum-32"), "sum-32")) == [
        "the stored value is right for negated-sum-32-of-words"
    ]
    assert texts(diagnosis(stored_as("sum-32-of-bytes"), "sum-32")) == [
        "the stored value is right for sum-32-of-bytes"
    ]
    assert texts(diagnosis(stored_as("sum-32"), "CRC-32")) == [
        "the stored value is right for sum-32-of-words"
    ]
    assert texts(diagnosis(stored_as("CRC-32"), "sum-32")) == [
        "the stored value is right for CRC-32/ISO-HDLC"
    ]


def test_another_range() -> None:
    """An alternative range that the caller offers is reported in the caller's words."""
    shorter = whole(MESSAGE[:-4], "if the last 4 bytes are left out")
    found = diagnosis(stored_as("CRC-32", data=MESSAGE[:-4]), alternatives=[shorter])
    assert texts(found) == ["the stored value is right if the last 4 bytes are left out"]


def test_two_changes_at_once() -> None:
    """Where no single change fits, pairs are tried."""
    shorter = whole(MESSAGE[:-4], "if the last 4 bytes are left out")
    found = diagnosis(stored_as("CRC-32C", "big"))
    assert texts(found) == ["the stored value is right for byte order big and for CRC-32/ISCSI"]
    found = diagnosis(stored_as("CRC-32", feed="word", data=MESSAGE[:-4]), alternatives=[shorter])
    assert texts(found) == ["the stored value is right for feed word and if the last 4 bytes are left out"]
    bare = crc_algorithm(CrcParameters(32, 0x04C11DB7, 0, True, True, 0))
    found = diagnosis(stored_bytes(bare, compute(bare, [MESSAGE]), "little"))
    assert texts(found) == ["the stored value is right for init 0x00000000 and for xorout 0x00000000"]
    found = diagnosis(stored_as("JAMCRC", data=MESSAGE[:-4]), alternatives=[shorter])
    assert texts(found) == [
        "the stored value is right if the last 4 bytes are left out and for xorout 0x00000000 (CRC-32/JAMCRC)"
    ]


@pytest.mark.parametrize("declared", ["CRC-32", "CRC-32C", "CRC-64/XZ", "CRC-24/OPENPGP", "sum-32"])
def test_a_random_value_has_no_explanation(declared: str) -> None:
    """Random stored values are explained by nothing: no change is found where there is none."""
    values = random.Random(7)
    for _ in range(20):
        found = diagnosis(values.randbytes(len(stored_as(declared))), declared)
        assert found.explanations == ()
        assert found.complete
        assert str(found) == ""


def test_narrow_checksums_are_doubted() -> None:
    """With 8 bits a match may well be chance and is marked so; with 32 bits it is not."""
    (found, *_) = diagnosis(stored_as("CRC-8/AUTOSAR"), "CRC-8/SMBUS").explanations
    assert found.weak
    assert str(found).endswith(", which may be chance")
    (found,) = diagnosis(stored_as("CRC-32C"), "CRC-32").explanations
    assert not found.weak


def test_a_narrow_checksum_is_tried_with_single_changes_only() -> None:
    """Under 16 bits pairs would match almost any value: none is offered."""
    for value in range(256):
        for explanation in diagnosis(bytes((value,)), "CRC-8/SMBUS").explanations:
            assert len(explanation.changes) == 1
            assert explanation.weak


@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_a_place_where_nothing_was_written(byte: int) -> None:
    """A stored value of erased or cleared bytes is called blank."""
    found = diagnosis(bytes((byte,)) * 4)
    assert found.blank
    assert str(found) == "the stored value is blank, as where no checksum was written"
    assert not diagnosis(b"\xff\xff\xff\xfe").blank


def test_ranges_that_do_not_come_out_even_are_passed_over() -> None:
    """A word feed over a length that is no multiple of 4 is no explanation and no error."""
    odd = whole(MESSAGE[:-3])
    found = diagnosis(stored_as("CRC-32", "big", data=MESSAGE[:-3]), covered=odd)
    assert texts(found) == ["the stored value is right for byte order big"]
    assert diagnosis(b"\x01\x02\x03\x04", covered=odd).explanations == ()


def test_the_work_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over many bytes in Python the search ends early and says so, after trying what is likeliest."""
    monkeypatch.setitem(sys.modules, "anycrc", None)
    crc_engine._engine.cache_clear()
    reads = []

    def blocks() -> list[bytes]:
        reads.append(1)
        return [bytes(1000)]

    found = diagnosis(b"\x01\x02\x03\x04", "CRC-32C", covered=Coverage("", 1 << 20, blocks))
    crc_engine._engine.cache_clear()
    assert not found.complete
    assert 5 < len(reads) < 40
    assert str(found) == "not everything was tried, since the covered bytes are many"


def image_with(runs: dict[int, bytes]) -> SparseBytes:
    image = SparseBytes()
    for address, data in runs.items():
        image.write(address, data)
    return image


def explained(image: SparseBytes, data: bytes, covered: list[Span], left_out: list[Span], place: Span) -> str:
    """What is found where the value stored at ``place`` was made over ``data``."""
    alternatives = usual_alternatives(image, covered, left_out, place, 0xFF)
    declared = declared_coverage(image, covered, 0xFF)
    return str(diagnosis(stored_as("CRC-32", data=data), covered=declared, alternatives=alternatives))


CODE = random.Random(5).randbytes(256)
PLACE = Span(0x10FC, 4)


@pytest.mark.parametrize(
    ("counted", "words"),
    [
        (CODE[252:], "if its own place is counted too, as stored"),
        (bytes(4), "if its own place is counted as zero"),
        (b"\xff" * 4, "if its own place is counted as erased"),
    ],
)
def test_its_own_place_counted_too(counted: bytes, words: str) -> None:
    """A checksum that was made with its own place in some state is explained by that state."""
    image = image_with({0x1000: CODE})
    found = explained(image, CODE[:252] + counted, [Span(0x1000, 252)], [PLACE], PLACE)
    assert found == f"the stored value is right {words}"


def test_its_own_place_in_the_middle() -> None:
    """A place in the middle of the covered bytes is counted at its address, not behind them."""
    place = Span(0x1010, 4)
    covered = [Span(0x1000, 16), Span(0x1014, 236)]
    data = CODE[:16] + bytes(4) + CODE[20:256]
    found = explained(image_with({0x1000: CODE}), data, [*covered[:1], Span(0x1014, 236)], [place], place)
    assert found == "the stored value is right if its own place is counted as zero"


def test_its_own_place_left_out() -> None:
    """Where the covered bytes hold the place, leaving it out is an explanation."""
    found = explained(image_with({0x1000: CODE}), CODE[:252], [Span(0x1000, 256)], [], PLACE)
    assert "if its own place is left out" in found


def test_exceptions_counted_too() -> None:
    """A checksum over the exceptions as well is explained so."""
    covered = [Span(0x1000, 64), Span(0x1050, 100)]
    found = explained(image_with({0x1000: CODE}), CODE[:180], covered, [Span(0x1040, 16)], Span(0x3000, 4))
    assert found == "the stored value is right if its exceptions are counted too"


def test_ranges_in_an_order_of_their_own() -> None:
    """Where the layout covers ranges in another order than by address, what is added comes behind them."""
    covered = [Span(0x1050, 100), Span(0x1000, 64)]
    data = CODE[80:180] + CODE[:64] + CODE[64:80]
    found = explained(image_with({0x1000: CODE}), data, covered, [Span(0x1040, 16)], Span(0x3000, 4))
    assert found == "the stored value is right if its exceptions are counted too"


def test_a_range_where_nothing_is_written() -> None:
    """A covered range of nothing but unwritten bytes has no written end to offer, and is no error."""
    found = explained(image_with({}), bytes(64), [Span(0x1000, 64)], [], Span(0x3000, 4))
    assert found == "the stored value is right if unwritten bytes count as 0x00"


def test_last_bytes_left_out() -> None:
    """A checksum that ends four bytes early is explained so, across a border of two ranges too."""
    covered = [Span(0x1000, 98), Span(0x1080, 2)]
    found = explained(image_with({0x1000: CODE}), CODE[:96], covered, [], Span(0x3000, 4))
    assert found == "the stored value is right if the last 4 bytes are left out"


def test_end_of_the_written_bytes() -> None:
    """A checksum over the written bytes only, or filled to a unit, is explained by their end."""
    image = image_with({0x1000: CODE[:101]})
    covered = [Span(0x1000, 512)]
    found = explained(image, CODE[:101], covered, [], Span(0x3000, 4))
    assert "if it ends with the written bytes, before 0x0000_1065" in found
    found = explained(image, CODE[:101] + b"\xff" * 3, covered, [], Span(0x3000, 4))
    assert found == "the stored value is right if it ends with the written bytes, before 0x0000_1068"


def test_fill_of_unwritten_bytes() -> None:
    """Holes taken as zero, or passed over, are explained so."""
    image = image_with({0x1000: CODE[:64], 0x1060: CODE[64:128]})
    covered = [Span(0x1000, 160)]
    data = CODE[:64] + bytes(32) + CODE[64:128]
    found = explained(image, data, covered, [], Span(0x3000, 4))
    assert found == "the stored value is right if unwritten bytes count as 0x00"
    found = explained(image, CODE[:128], covered, [], Span(0x3000, 4))
    assert found == "the stored value is right if unwritten bytes are passed over"


def test_the_declared_coverage_reads_what_the_layout_says() -> None:
    """The declared bytes come in the layout's order, with the erased byte in holes, in bounded blocks."""
    image = image_with({0x2000: b"\x01\x02", 0x1000: b"\x03"})
    coverage = declared_coverage(image, [Span(0x2000, 3), Span(0x1000, 2)], 0xFF)
    assert b"".join(coverage.blocks()) == b"\x01\x02\xff\x03\xff"
    assert coverage.size == 5
    large = declared_coverage(image, [Span(0x1000, 5 << 20)], 0xFF)
    assert max(len(block) for block in large.blocks()) <= 1 << 20
