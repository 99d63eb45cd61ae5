"""The strict CBOR coder against an independent one (cbor2) and against hostile bytes."""

from __future__ import annotations

import tracemalloc

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from seconds import within

from gemel.seals import cose
from gemel.seals.cbor import ARRAY, BYTES, CborError, CborReader, encoded, encoded_map, head

VALUES = st.one_of(st.integers(-(1 << 64), (1 << 64) - 1), st.binary(max_size=300), st.text(max_size=60))


@given(VALUES)
def test_values_are_encoded_as_an_independent_coder_does(value) -> None:
    """Integers, bytes and text have the bytes that cbor2 gives them in its canonical form, and read back."""
    data = encoded(value)
    assert data == cbor2.dumps(value, canonical=True)
    reader = CborReader(data)
    assert reader.value() == value
    reader.end()


@given(st.dictionaries(VALUES, VALUES, max_size=12))
def test_maps_are_encoded_with_ascending_keys(entries) -> None:
    """A map has ascending encoded keys (RFC 8949 4.2.1) and holds, for cbor2, what it was made of."""
    data = encoded_map(entries)
    assert cbor2.loads(data) == entries
    assert CborReader(data).header_map(12) == entries


@given(st.binary(max_size=60))
def test_what_is_read_is_what_would_be_written(data: bytes) -> None:
    """Whatever bytes are taken as a value are the encoding of that value: nothing has two encodings."""
    reader = CborReader(data)
    try:
        value = reader.value()
    except CborError:
        return
    assert encoded(value) == data[: reader.place]


RFC8949 = (
    # RFC 8949 appendix A: published encodings
    (0, "00"),
    (23, "17"),
    (24, "1818"),
    (1000, "1903e8"),
    (1000000, "1a000f4240"),
    (18446744073709551615, "1bffffffffffffffff"),
    (-1, "20"),
    (-100, "3863"),
    (-18446744073709551616, "3bffffffffffffffff"),
    (b"\1\2\3\4", "4401020304"),
    ("IETF", "6449455446"),
    ("ü", "62c3bc"),
)


@pytest.mark.parametrize(("value", "data"), RFC8949)
def test_published_encodings(value, data: str) -> None:
    """The examples of RFC 8949 appendix A that a header can hold are written and read."""
    assert encoded(value).hex() == data
    assert CborReader(bytes.fromhex(data)).value() == value


REFUSED = (
    ("1817", "shortest"),  # 23 in two bytes
    ("1900ff", "shortest"),
    ("1a0000ffff", "shortest"),
    ("1b00000000ffffffff", "shortest"),
    ("5803010203", "shortest"),
    ("5f42010243030405ff", "indefinite"),  # RFC 8949 appendix A: bytes of indefinite length
    ("7f657374726561646d696e67ff", "indefinite"),
    ("9fff", "indefinite"),
    ("bfff", "indefinite"),
    ("1c", "reserves"),
    ("1f", "indefinite"),
    ("f4", "a constant"),
    ("f818", "reserves"),
    ("f93c00", "reserves"),  # a float
    ("80", "an array"),
    ("a0", "a map"),
    ("c000", "a tag"),
    ("61ff", "UTF-8"),
    ("", "1 bytes are expected"),
    ("19", "2 bytes are expected"),
    ("44010203", "4 bytes are expected"),
    ("5bffffffffffffffff00", "bytes are expected"),
)


@pytest.mark.parametrize(("data", "words"), REFUSED)
def test_other_encodings_are_refused(data: str, words: str) -> None:
    """Longer forms, indefinite lengths, other types, cut items and bad text are refused, in plain words."""
    with pytest.raises(CborError, match=words):
        CborReader(bytes.fromhex(data)).value()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ("a201020103", "twice"),
        ("a204020102", "not ascending"),
        ("a11801" + "02", "shortest"),
        ("b1" + "00" * 34, "a map of 17"),
        ("bf0102ff", "indefinite"),
        ("a10180", "an array"),
        ("a1a00102", "a map where"),
        ("a101", "1 bytes are expected"),
        ("8101", "an array where a map is expected"),
    ],
)
def test_other_maps_are_refused(data: str, words: str) -> None:
    """A key twice, keys out of order, too many entries, nested values and cut maps are refused."""
    with pytest.raises(CborError, match=words):
        CborReader(bytes.fromhex(data)).header_map(16)


def test_numbers_beyond_64_bits_are_not_encoded() -> None:
    """A number that no head holds is refused before it is written."""
    with pytest.raises(ValueError, match="64 bits"):
        encoded(1 << 64)


@pytest.mark.parametrize(
    "data",
    [
        b"\x81" * (1 << 20),  # nested arrays
        b"\xd8\x62\x84" + b"\xa1" * (1 << 20),  # nested maps
        b"\xc1" * (1 << 20),  # tags of tags
        b"\xd8\x62\x84\x5b" + b"\xff" * 8 + bytes(1 << 20),  # a byte string of 2**64 - 1 bytes
        b"\xd8\x62\x9b" + b"\xff" * 8 + bytes(1 << 20),  # an array of 2**64 - 1 items
        b"\xd8\x62\x84\x40\xbb" + b"\xff" * 8 + bytes(1 << 20),  # a map of as many
        b"\xd8\x62\x84\x40\xa0\xf6\x9b" + b"\xff" * 8 + bytes(1 << 20),  # as many signers
        b"\xd8\x62\x84\x40\xa0\xf6\x88" + b"\x83\x40\xa0\x5a\x00\x10\x00\x00" + bytes(1 << 20),
    ],
    ids=["arrays", "maps", "tags", "bytes", "items", "entries", "signers", "signature"],
)
def test_hostile_structures_take_little_time_and_memory(data: bytes) -> None:
    """A MiB of nested or huge structure is refused in less than half a second and 3 MiB."""
    tracemalloc.start()
    with within(0.5), pytest.raises(CborError):
        cose.decode(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3 << 20


def test_heads_are_the_shortest() -> None:
    """A head has one byte to 23, and 1, 2, 4 or 8 more as the argument grows (RFC 8949 3)."""
    sizes = [
        len(head(BYTES, argument)) for argument in (23, 24, 255, 256, 65535, 65536, (1 << 32) - 1, 1 << 32)
    ]
    assert sizes == [1, 2, 2, 3, 3, 5, 5, 9]
    assert head(ARRAY, 4) == b"\x84"


@pytest.mark.parametrize(("entries", "sound"), [(0, True), (15, True), (16, True), (17, False)])
def test_most_entries_of_a_header(entries: int, sound: bool) -> None:
    """A header of as many entries as are read is read; one more is refused (here the body's unprotected one)."""
    head = bytes((0xA0 + entries,))
    pairs = b"".join(bytes((number, 0)) for number in range(entries))
    data = b"\xd8\x62\x84\x40" + head + pairs + b"\xf6\x81\x83\x40\xa0\x40"
    if sound:
        assert len(cose.decode(data)[0].unprotected) == entries
    else:
        with pytest.raises(CborError):
            cose.decode(data)


@pytest.mark.parametrize(("signers", "sound"), [(0, False), (1, True), (8, True), (9, False)])
def test_fewest_and_most_signers(signers: int, sound: bool) -> None:
    """A seal has one to eight signers."""
    data = b"\xd8\x62\x84\x40\xa0\xf6" + bytes((0x80 + signers,)) + b"\x83\x40\xa0\x40" * signers
    if sound:
        assert len(cose.decode(data)[0].signatures) == signers
    else:
        with pytest.raises(CborError):
            cose.decode(data)
