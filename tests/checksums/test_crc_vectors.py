"""Published test vectors beyond the check values, each with its source."""

from __future__ import annotations

import bz2
import lzma

import pytest

from gemel.checksums.algorithms import algorithm_named, compute


def value_of(name: str, message: bytes, feed: str = "byte") -> int:
    algorithm = algorithm_named(name)
    assert algorithm is not None
    return compute(algorithm, [message], feed)


@pytest.mark.parametrize(
    ("message", "autosar", "ethernet", "mpeg"),
    [
        ("00000000", 0x6FB32240, 0x2144DF1C, 0xC704DD7B),
        ("F20183", 0x4F721A25, 0x24AB9D77, 0xBE611935),
        ("0FAA0055", 0x20662DF8, 0xB6C9B287, 0x97099520),
        ("00FF5511", 0x9BD7996E, 0x32A06212, 0xFED215EB),
        ("332255AABBCCDDEEFF", 0xA65A343D, 0xB0AE863D, 0x29FC6342),
        ("926B55", 0xEE688A78, 0x9CDEA29B, 0xB31D2979),
        ("FFFFFFFF", 0xFFFFFFFF, 0xFFFFFFFF, 0x00000000),
    ],
)
def test_vectors_of_the_automotive_crc_specification(
    message: str, autosar: int, ethernet: int, mpeg: int
) -> None:
    """AUTOSAR, Specification of CRC Routines R22-11, 7.2.3.1 and 7.2.3.2 (the last column: recomputed)."""
    data = bytes.fromhex(message)
    assert value_of("CRC-32/AUTOSAR", data) == autosar
    assert value_of("CRC-32/ISO-HDLC", data) == ethernet
    assert value_of("CRC-32/MPEG-2", data) == mpeg


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        (bytes(32), 0x8A9136AA),
        (b"\xff" * 32, 0x62A8AB43),
        (bytes(range(32)), 0x46DD794E),
        (bytes(reversed(range(32))), 0x113FDB5C),
    ],
)
def test_vectors_of_rfc_3720(message: bytes, expected: int) -> None:
    """RFC 3720, appendix B.4, CRC examples of CRC-32C."""
    assert value_of("CRC-32C", message) == expected


def test_posix_cksum_with_the_length_fed() -> None:
    """POSIX.1, cksum: the length follows, least significant byte first; over 123456789 that is 930766865."""
    message = b"123456789"
    assert value_of("CKSUM", message + bytes((len(message),))) == 930_766_865


def test_a_crc_unit_that_takes_words() -> None:
    """CRC-32/MPEG-2 over 00..07 by byte and by little-endian word, most significant bit first."""
    message = bytes(range(8))
    assert value_of("CRC-32/MPEG-2", message) == 0x4ACADC12
    assert value_of("CRC-32/MPEG-2", message, "word") == 0x9C08808D
    assert value_of("CRC-32/MPEG-2", bytes((3, 2, 1, 0, 7, 6, 5, 4))) == 0x9C08808D


@pytest.mark.parametrize("message", [b"", b"\x00", b"a tide gauge" * 99])
def test_against_the_block_checksum_of_a_bzip2_stream(message: bytes) -> None:
    """CRC-32/BZIP2 is what Python's bz2 writes behind the mark of a stream's only block, or 0 for none."""
    stream = bz2.compress(message)
    stored = int.from_bytes(stream[10:14], "big")
    assert stored == (value_of("CRC-32/BZIP2", message) if message else 0)


@pytest.mark.parametrize("message", [b"\x00", b"123456789", bytes(range(256)) * 5])
def test_against_the_check_of_an_xz_stream(message: bytes) -> None:
    """CRC-64/XZ is the check of an .xz block, in front of the index (.xz file format 1.1.0, 3.4)."""
    stream = lzma.compress(message, check=lzma.CHECK_CRC64)
    index_size = (int.from_bytes(stream[-8:-4], "little") + 1) * 4
    index_start = len(stream) - 12 - index_size
    stored = int.from_bytes(stream[index_start - 8 : index_start], "little")
    assert stored == value_of("CRC-64/XZ", message)


def test_blank_memory() -> None:
    """Blank memory by value, recomputed: erased words verify under CRC-32, a kibibyte of them does not."""
    assert value_of("CRC-32", b"\xff" * 4) == 0xFFFFFFFF
    assert value_of("CRC-32", b"\xff" * 1024) == 0xB83AFFF4
    for name in ("XMODEM", "ARC", "CRC-16/UMTS", "CRC-32/AIXM", "XFER", "CRC-32/CD-ROM-EDC"):
        assert value_of(name, bytes(1024)) == 0
