"""The record: encoding, decoding, refusals, search."""

from __future__ import annotations

import struct
import uuid
import zlib
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from records import records, tide_gauge_record, with_bytes, with_crc

from gemel.errors import GemelError
from gemel.record import format as record_format
from gemel.record.format import BUILD, HEADER, RecordField
from gemel.record.record import (
    BuildEntry,
    Record,
    RecordError,
    RecordFault,
    decode,
    encode,
    find,
    record_size,
)
from gemel.spans import Span
from gemel.structs import fields, replace

RECORD = tide_gauge_record()
SOUND = encode(RECORD)
ENTRY = 192
SECOND = ENTRY + 160


def faults_of(action: Callable[[], object]) -> tuple[RecordFault, ...]:
    """The faults that ``action`` raises; fails the test where it raises none."""
    with pytest.raises(RecordError) as caught:
        action()
    assert len(caught.value.faults) == len(caught.value.problems)
    return caught.value.faults


def faults(data: bytes) -> tuple[RecordFault, ...]:
    """The faults of ``data`` as a record."""
    return faults_of(lambda: decode(data, "area record"))


@given(records())
@settings(max_examples=300, deadline=None)
def test_round_trip(record: Record) -> None:
    """Every record that can be written is read back equal, from an area longer than it."""
    data = encode(record)
    assert len(data) == record_size(len(record.builds))
    assert decode(data, "here") == record
    assert decode(memoryview(data + b"\xff" * 64), "here") == record
    assert encode(decode(bytearray(data), "here")) == data


def test_bytes_of_the_header() -> None:
    """Every field of the header lies where the format says, little-endian; written out by hand."""
    expected = struct.pack(
        "<8s HHI HHI HHI 32s",
        b"GEMELREC",
        1,
        192,
        192 + 2 * 160 + 4,
        2,
        160,
        3,
        1,
        4,
        70_000,
        b"tide-gauge",
    )
    expected += bytes.fromhex("512161d1744954a78f309c87c12bd295")
    expected += bytes.fromhex("ee898c6174d65d9e98bb74a06627a36f")
    expected += b"\x11" * 32 + b"\x22" * 32 + bytes(32)
    assert SOUND[:192] == expected


def test_bytes_of_an_entry() -> None:
    """Every field of an entry lies where the format says; addresses by hand."""
    expected = b"sampler".ljust(32, b"\0") * 2 + struct.pack(
        "<HHIIIII", 2, 0, 0x1002_0000, 0x3E8, 0x2000_0000, 0x2000_0000, 0x0123_4567
    )
    expected += bytes(32) + bytes(range(32)) + bytes(8)
    assert SOUND[SECOND : SECOND + 160] == expected


def test_uuid_byte_order() -> None:
    """Ids have the byte order of RFC 9562; appendix A.4 gives the UUID of www.example.com."""
    named = uuid.uuid5(uuid.NAMESPACE_DNS, "www.example.com")
    assert str(named) == "2ed6657d-e927-568b-95e1-2665a8aea6a2"
    data = encode(replace(RECORD, vendor_id=named, class_id=None))
    assert data[0x40:0x50].hex() == "2ed6657de927568b95e12665a8aea6a2"
    assert data[0x50:0x60] == bytes(16)
    read = decode(data, "here")
    assert read.vendor_id == named
    assert read.class_id is None


def test_crc_is_iso_hdlc() -> None:
    """The last word is the CRC-32 of zlib, whose check value is that of the CRC catalogue."""
    assert zlib.crc32(b"123456789") == 0xCBF4_3926
    assert int.from_bytes(SOUND[-4:], "little") == zlib.crc32(SOUND[:-4])


def test_values_by_name() -> None:
    """The helpers give version text and the spans of an entry."""
    assert RECORD.version == "1.4.70000"
    assert RECORD.builds[1].stored == Span(0x1002_0000, 0x3E8)
    assert RECORD.builds[1].run == Span(0x2000_0000, 0x3E8)


@pytest.mark.parametrize("flip", [0x01, 0x80, 0xFF])
def test_every_flipped_byte_is_refused(flip: int) -> None:
    """No single byte of a record can change without the record being refused."""
    for offset in range(len(SOUND)):
        damaged = bytearray(SOUND)
        damaged[offset] ^= flip
        assert faults(bytes(damaged)), f"offset {offset}"


def test_every_cut_is_refused() -> None:
    """A record of which only the first bytes are there is refused, at every length."""
    for length in range(len(SOUND)):
        found = faults(SOUND[:length])
        assert found == ((RecordFault.NO_MARK,) if length < 8 else (RecordFault.CUT,)), f"length {length}"


FORGED: dict[str, tuple[int, bytes, RecordFault]] = {
    "mark in lower case": (0x00, b"gemelrec", RecordFault.NO_MARK),
    "erased": (0x00, b"\xff" * 8, RecordFault.NO_MARK),
    "newer format": (0x08, b"\x02\x00", RecordFault.UNKNOWN_FORMAT),
    "format 0": (0x08, b"\x00\x00", RecordFault.UNKNOWN_FORMAT),
    "format 65,535": (0x08, b"\xff\xff", RecordFault.UNKNOWN_FORMAT),
    "header_size": (0x0A, b"\xc4\x00", RecordFault.WRONG_SIZES),
    "record_size 0": (0x0C, bytes(4), RecordFault.WRONG_SIZES),
    "record_size one less": (0x0C, (515).to_bytes(4, "little"), RecordFault.WRONG_SIZES),
    "record_size huge": (0x0C, b"\xff" * 4, RecordFault.WRONG_SIZES),
    "no builds": (0x0C, struct.pack("<IH", 196, 0), RecordFault.WRONG_SIZES),
    "17 builds": (0x0C, struct.pack("<IH", 196 + 17 * 160, 17), RecordFault.WRONG_SIZES),
    "16 builds, cut": (0x0C, struct.pack("<IH", 196 + 16 * 160, 16), RecordFault.CUT),
    "build_size": (0x12, b"\x80\x00", RecordFault.WRONG_SIZES),
    "product not ended": (0x20, b"a" * 32, RecordFault.NAME_NOT_ENDED),
    "product empty": (0x20, bytes(32), RecordFault.NAME_NOT_TEXT),
    "product in Latin-1": (0x20, b"mar\xe9e".ljust(32, b"\0"), RecordFault.NAME_NOT_TEXT),
    "product with an escape": (0x20, b"\x1b[2J".ljust(32, b"\0"), RecordFault.NAME_NOT_TEXT),
    "product with a C1 control": (0x20, b"\xc2\x9b2J".ljust(32, b"\0"), RecordFault.NAME_NOT_TEXT),
    "product with bytes after": (0x3F, b"x", RecordFault.NAME_NOT_TEXT),
    "reserved of the header, first": (0xA0, b"\x01", RecordFault.RESERVED_NOT_ZERO),
    "reserved of the header, last": (0xBF, b"\x80", RecordFault.RESERVED_NOT_ZERO),
    "name not ended": (ENTRY, b"a" * 32, RecordFault.NAME_NOT_ENDED),
    "core empty": (ENTRY + 0x20, bytes(32), RecordFault.NAME_NOT_TEXT),
    "core over-long UTF-8": (ENTRY + 0x20, b"\xc0\xaf" + bytes(30), RecordFault.NAME_NOT_TEXT),
    "role 0": (ENTRY + 0x40, b"\x00\x00", RecordFault.UNKNOWN_ROLE),
    "role 3": (SECOND + 0x40, b"\x03\x00", RecordFault.UNKNOWN_ROLE),
    "build id of 33 bytes": (ENTRY + 0x42, b"\x21\x00", RecordFault.WRONG_BUILD_ID),
    "build id of 65,535 bytes": (ENTRY + 0x42, b"\xff\xff", RecordFault.WRONG_BUILD_ID),
    "bytes after the build id": (ENTRY + 0x42, b"\x13\x00", RecordFault.WRONG_BUILD_ID),
    "stored span empty": (ENTRY + 0x48, bytes(4), RecordFault.WRONG_SPAN),
    "stored span wraps": (ENTRY + 0x48, b"\x01\x00\x00\xf0", RecordFault.WRONG_SPAN),
    "run span wraps": (SECOND + 0x4C, b"\xff\xff\xff\xff", RecordFault.WRONG_SPAN),
    "reserved of an entry": (SECOND + 0x9F, b"\x01", RecordFault.RESERVED_NOT_ZERO),
    "names alike": (SECOND, b"station".ljust(32, b"\0"), RecordFault.NAME_TWICE),
    "overlap by a byte": (SECOND + 0x44, struct.pack("<I", 0x1000_09C3), RecordFault.BUILDS_OVERLAP),
    "overlap from below": (SECOND + 0x44, struct.pack("<I", 0x0FFF_FC19), RecordFault.BUILDS_OVERLAP),
}
"""What somebody could write with a right CRC: offset, bytes there, and the first fault it must meet."""


@pytest.mark.parametrize("name", FORGED)
def test_forged_records_are_refused(name: str) -> None:
    """Each wrong value is refused for what it is, though the CRC is right."""
    offset, value, fault = FORGED[name]
    assert faults(with_bytes(SOUND, offset, value))[0] is fault


def test_every_fault_is_provoked() -> None:
    """No fault of a reader goes untested by the table above, the CRC's and the writer's own aside."""
    provoked = {fault for _, _, fault in FORGED.values()}
    assert provoked == set(RecordFault) - {RecordFault.WRONG_CRC, RecordFault.NO_FIT}


@pytest.mark.parametrize(
    ("offset", "value"),
    [
        (SECOND + 0x44, struct.pack("<I", 0x1000_09C4)),
        (SECOND + 0x44, struct.pack("<I", 0x0FFF_FC18)),
        (ENTRY + 0x44, struct.pack("<II", 0xFFFF_FFFF, 1)),
        (SECOND + 0x4C, struct.pack("<I", (1 << 32) - 0x3E8)),
        (0x20, "Pegelmeßstelle 潮位計".encode().ljust(32, b"\0")),
        (0x20, b"n" * 31),
    ],
)
def test_values_at_the_edge_are_taken(offset: int, value: bytes) -> None:
    """Spans that touch, spans up to the last address and the longest names are sound."""
    data = with_bytes(SOUND, offset, value)
    assert encode(decode(data, "here")) == data


def test_all_problems_at_once() -> None:
    """A record with five faults names all five, each with its place, finding and expectation."""
    data = SOUND[:0x20] + b"\xff" + SOUND[0x21:0xA0] + b"\x07" + SOUND[0xA1:]
    data = data[: SECOND + 0x40] + b"\x09" + data[SECOND + 0x41 :]
    data = data[: SECOND + 0x4B] + b"\xf0" + data[SECOND + 0x4C :]
    with pytest.raises(RecordError) as caught:
        decode(data, "0x1001_0000")
    assert caught.value.faults == (
        RecordFault.WRONG_CRC,
        RecordFault.NAME_NOT_TEXT,
        RecordFault.RESERVED_NOT_ZERO,
        RecordFault.UNKNOWN_ROLE,
        RecordFault.WRONG_SPAN,
        RecordFault.WRONG_SPAN,
    )
    for problem in caught.value.problems:
        assert problem.where.startswith("0x1001_0000")
        assert problem.found
        assert problem.expected
        assert problem.next_step
    assert "entry 1" in caught.value.problems[3].where


def test_newer_format_is_refused_in_words() -> None:
    """A record of format 2 says which format was found, which is read, and what to do."""
    with pytest.raises(GemelError) as caught:
        decode(with_bytes(SOUND, 8, b"\x02\x00"), "board.bin")
    text = str(caught.value)
    assert "board.bin" in text
    assert "found format 2" in text
    assert "expected format 1" in text
    assert "newer gemel" in text
    assert caught.value.exit_code == 2


def with_build(**values: object) -> Record:
    """The tide gauge's record with some values of its first entry changed."""
    return replace(RECORD, builds=(replace(RECORD.builds[0], **values), RECORD.builds[1]))


UNFIT: dict[str, tuple[Record, RecordFault, str]] = {
    "no builds": (replace(RECORD, builds=()), RecordFault.NO_FIT, "number of builds"),
    "17 builds": (
        replace(RECORD, builds=tuple(replace(RECORD.builds[0], name=f"b{i}") for i in range(17))),
        RecordFault.NO_FIT,
        "number of builds",
    ),
    "major": (replace(RECORD, major=65_536), RecordFault.NO_FIT, "major"),
    "patch": (replace(RECORD, patch=1 << 32), RecordFault.NO_FIT, "patch"),
    "rollback": (replace(RECORD, rollback=-1), RecordFault.NO_FIT, "rollback"),
    "long product": (replace(RECORD, product="ü" * 16), RecordFault.NO_FIT, "product"),
    "no product": (replace(RECORD, product=""), RecordFault.NO_FIT, "product"),
    "product with NUL": (replace(RECORD, product="tide\0"), RecordFault.NO_FIT, "product"),
    "product with line end": (replace(RECORD, product="tide\n"), RecordFault.NAME_NOT_TEXT, "control"),
    "lone surrogate": (replace(RECORD, product="\ud800"), RecordFault.NAME_NOT_TEXT, "not UTF-8"),
    "short digest": (replace(RECORD, rest_sha256=b"\x01"), RecordFault.NO_FIT, "rest_sha256"),
    "nil vendor": (replace(RECORD, vendor_id=uuid.UUID(int=0)), RecordFault.NO_FIT, "vendor_id"),
    "vectors": (with_build(vector_address=0xFFFF_FFFF), RecordFault.NO_FIT, "vector_address"),
    "build id": (with_build(build_id=bytes(33)), RecordFault.NO_FIT, "build_id"),
    "stored_start": (with_build(stored_start=1 << 32), RecordFault.NO_FIT, "stored_start"),
    "role": (with_build(role="third"), RecordFault.UNKNOWN_ROLE, "role"),
    "empty": (with_build(stored_size=0), RecordFault.WRONG_SPAN, "empty"),
    "name twice": (with_build(name="sampler"), RecordFault.NAME_TWICE, "sampler"),
    "overlap": (with_build(stored_size=0x2_0001), RecordFault.BUILDS_OVERLAP, "0x1002_0000"),
}
"""Records that cannot be written: the record, the fault, and words that the problem must hold."""


@pytest.mark.parametrize("name", UNFIT)
def test_what_does_not_fit_is_not_written(name: str) -> None:
    """A value that the record cannot hold, or would be read back changed, is refused when written."""
    record, fault, words = UNFIT[name]
    with pytest.raises(RecordError) as caught:
        encode(record)
    assert caught.value.faults[0] is fault
    assert words in str(caught.value)
    assert "join the image again" not in str(caught.value)


def test_all_unfit_values_at_once() -> None:
    """Values that do not fit are all named in one error."""
    record = replace(with_build(crc32=1 << 32), major=-1, minor=1 << 16)
    assert len(faults_of(lambda: encode(record))) == 3


def pieces_of(*pieces: tuple[int, bytes]) -> list[tuple[int, memoryview]]:
    """Addresses and views, as an image hands them out."""
    return [(address, memoryview(data)) for address, data in pieces]


def test_find_in_an_unknown_image() -> None:
    """Marks are found at multiples of 4 of the address, wherever a piece of the image starts."""
    assert find(pieces_of((0x1000, b"\xff" * 8 + SOUND), (0x8000, SOUND))) == [0x1008, 0x8000]
    assert find(pieces_of((0x1002, b"\xff" * 8 + SOUND))) == []
    assert find(pieces_of((0x1002, b"\xff" * 2 + SOUND))) == [0x1004]
    assert find([]) == []
    assert find(pieces_of((0, b"GEMELRE"))) == []


@pytest.mark.parametrize("cut", range(1, 8))
def test_find_across_pieces(cut: int) -> None:
    """A mark that lies across pieces that touch is found; across pieces apart it is none."""
    assert find(pieces_of((0x100, SOUND[:cut]), (0x100 + cut, SOUND[cut:]))) == [0x100]
    assert find(pieces_of((0x100, SOUND[:cut]), (0x104 + cut, SOUND[cut:]))) == []
    one_by_one = [(0x100 + i, SOUND[i : i + 1]) for i in range(16)]
    assert find(pieces_of(*one_by_one)) == [0x100]


@pytest.mark.parametrize("before", [(1 << 20) - 8, (1 << 20) - 4, 1 << 20, (1 << 21) - 4])
def test_find_at_the_seams_of_its_windows(before: int) -> None:
    """Marks around multiples of 1 MiB, where the search goes on in its next window, are found once."""
    assert find(pieces_of((0x1000_0000, bytes(before) + SOUND))) == [0x1000_0000 + before]


@pytest.mark.parametrize("table", [HEADER, BUILD], ids=["header", "entry"])
def test_table_has_no_gaps(table: tuple[RecordField, ...]) -> None:
    """Fields follow each other without gaps, are naturally aligned, and agree with struct's own sizes."""
    form = {HEADER: record_format.HEADER_STRUCT, BUILD: record_format.BUILD_STRUCT}[table]
    position = 0
    for field in table:
        assert field.offset == position
        assert field.kind not in ("u16", "u32") or field.offset % field.size == 0
        assert field.kind != "u16" or field.size == 2
        assert field.kind != "u32" or field.size == 4
        assert field.meaning.endswith((".", ").", '".'))
        position += field.size
    assert position == form.size
    assert position % record_format.RECORD_ALIGNMENT == 0
    assert len({field.name for field in table}) == len(table)


def test_table_and_models_name_the_same_things() -> None:
    """Every value of the models has its field, and every field that is not the frame's has its value."""
    frame = {"mark", "format", "header_size", "record_size", "build_count", "build_size", "reserved"}
    header = {field.name for field in HEADER} - frame
    assert header == set(fields(Record)) - {"builds"}
    entry = {field.name for field in BUILD} - {"build_id_size", "reserved"}
    assert entry == set(fields(BuildEntry))


def test_sizes() -> None:
    """Sizes that other documents may rely on."""
    assert (record_size(1), record_size(2), record_size(16)) == (356, 516, 2756)
    assert len(with_crc(SOUND)) == 516
