"""Intel HEX against published records, the specification's address rules and the library intelhex."""

from __future__ import annotations

import io
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intelhex import IntelHex
from record_lines import HEX_END, hex_line
from strategies import images

from gemel.image import intel_hex
from gemel.image.image import Decoded
from gemel.image.sparse import SparseBytes
from gemel.spans import Span
from gemel.structs import replace


def decode(*lines: bytes) -> Decoded:
    return intel_hex.decode([b"".join(lines)], "tide.hex")


def held(decoded: Decoded) -> dict[int, bytes]:
    return {span.start: decoded.image.read(span, None) for span in decoded.image.spans()}


# Records as printed in the encyclopaedia article on Intel HEX, vendors' notes on the format and a
# published monitor manual (the last one); second-hand copies of the specification's own examples.
PUBLISHED = [
    (":10010000214601360121470136007EFE09D2190140", 0x0100, "214601360121470136007EFE09D21901"),
    (":100110002146017E17C20001FF5F16002148011928", 0x0110, "2146017E17C20001FF5F160021480119"),
    (":04003000902BB4FD60", 0x0030, "902BB4FD"),
]


@pytest.mark.parametrize(("line", "address", "data"), PUBLISHED)
def test_published_data_records(line: str, address: int, data: str) -> None:
    """A data record printed in the literature gives the address and bytes that it spells."""
    assert held(decode(line.encode() + b"\n", HEX_END)) == {address: bytes.fromhex(data)}


# The same sources; the last one as a linker writes it for an image at 0x0800_0000.
PUBLISHED_BASES = [
    (":020000021200EA", 0x12000),
    (":02000004FFFFFC", 0xFFFF_0000),
    (":020000040800F2", 0x0800_0000),
]


@pytest.mark.parametrize(("line", "base"), PUBLISHED_BASES)
def test_published_base_records(line: str, base: int) -> None:
    """A base record printed in the literature moves the data behind it to that base."""
    assert held(decode(line.encode() + b"\n", hex_line(0, 0x10, b"x"), HEX_END)) == {base + 0x10: b"x"}


# The same sources; 03 holds CS = 0000 and IP = 3800; the last one is a linker's, with the Thumb bit.
PUBLISHED_ENTRIES = [
    (":0400000300003800C1", 0x3800),
    (":04000005000000CD2A", 0xCD),
    (":0400000508000041AE", 0x0800_0041),
]


@pytest.mark.parametrize(("line", "entry"), PUBLISHED_ENTRIES)
def test_published_entry_records(line: str, entry: int) -> None:
    """A start address record printed in the literature gives its entry."""
    assert decode(line.encode() + b"\n:00000001FF\n").entry == entry


def test_segment_entry_is_cs_times_16_plus_ip() -> None:
    """A 03 record with a code segment gives the 8086's linear address."""
    assert decode(hex_line(3, 0, bytes.fromhex("12340010")), HEX_END).entry == 0x12350


def test_data_wraps_inside_its_segment_after_02() -> None:
    """By the specification, after 02 byte i lies at base + (offset + i) mod 64 Ki; a remark says so."""
    decoded = decode(hex_line(2, 0, b"\x12\x00"), hex_line(0, 0xFFFE, b"abcd"), HEX_END)
    assert held(decoded) == {0x12000: b"cd", 0x21FFE: b"ab"}
    (remark,) = decoded.remarks
    assert (remark.what, remark.where) == ("a record wraps inside its 64 KiB segment", "tide.hex:2")


@pytest.mark.parametrize("base", [b"", hex_line(4, 0, b"\x10\x00")])
def test_data_carries_into_the_next_64_kib_after_04(base: bytes) -> None:
    """By the specification, after 04 or no base byte i lies at base + offset + i; a remark says so."""
    lines = [base, *(hex_line(0, 0xFFFE, b"abcd") for _ in range(2)), HEX_END]
    decoded = decode(*lines)
    assert held(decoded) == {(0x1000_FFFE if base else 0xFFFE): b"abcd"}
    crossing = decoded.remarks[0]
    assert crossing.what == "a record crosses a 64 KiB boundary"
    assert crossing.where == f"tide.hex:{2 if base else 1}"
    assert crossing.found == "2 times, the first one here"


def test_the_last_byte_of_the_address_space_is_in_reach() -> None:
    """A record that ends at 0xFFFF_FFFF is not one that goes beyond."""
    decoded = decode(hex_line(4, 0, b"\xff\xff"), hex_line(0, 0xFFFE, b"yz"), HEX_END)
    assert held(decoded) == {0xFFFF_FFFE: b"yz"}
    assert decoded.remarks == ()


def test_a_base_stays_until_the_next_one() -> None:
    """Data before any base lies at base 0; each base holds for every record up to the next base."""
    decoded = decode(
        hex_line(0, 4, b"a"),
        hex_line(4, 0, b"\x00\x01"),
        hex_line(0, 4, b"b"),
        hex_line(0, 8, b"c"),
        hex_line(4, 0, b"\x00\x00"),
        hex_line(0, 8, b"d"),
        HEX_END,
    )
    assert held(decoded) == {4: b"a", 8: b"d", 0x10004: b"b", 0x10008: b"c"}
    assert decoded.remarks == ()


def test_mixed_bases_are_remarked_once() -> None:
    """A file with both 02 and 04 records is read by each one's rule, with one remark at the first change."""
    segment, linear = hex_line(2, 0, b"\x10\x00"), hex_line(4, 0, b"\x00\x02")
    decoded = decode(segment, hex_line(0, 0, b"a"), linear, hex_line(0, 0, b"b"), segment, HEX_END)
    assert held(decoded) == {0x10000: b"a", 0x20000: b"b"}
    (remark,) = decoded.remarks
    assert remark.where == "tide.hex:3"
    assert "02 and 04 records" in remark.what


def test_the_same_bytes_twice_are_remarked() -> None:
    """Records that overlap and agree are read, with a remark."""
    decoded = decode(hex_line(0, 0, b"abcd"), hex_line(0, 2, b"cdef"), HEX_END)
    assert held(decoded) == {0: b"abcdef"}
    (remark,) = decoded.remarks
    assert (remark.what, remark.where, remark.found) == (
        "bytes are given twice, both times the same",
        "tide.hex:2",
        "once",
    )


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\n\n  \n", b" \t\r\n \x0b", b"\r\r\n"])
@pytest.mark.parametrize("lower", [False, True])
def test_line_ends_case_and_margins_do_not_matter(end: bytes, lower: bool) -> None:
    """Every line end, blank lines, white space at margins, lower case, no final line end are accepted."""
    image = SparseBytes()
    image.write(0x1000_0005, bytes(range(256)))
    lines = b"".join(intel_hex.encode(image)).split()
    text = end + end.join(line.lower() if lower else line for line in lines)
    for tail in (b"", end):
        assert intel_hex.decode([text + tail], "tide.hex") == Decoded(image, None)


def test_an_empty_data_record_holds_nothing() -> None:
    """RECLEN may be 0; such a data record is accepted and gives no bytes."""
    assert held(decode(hex_line(0, 0x20), HEX_END)) == {}


def test_a_file_of_an_end_record_only_is_an_empty_image() -> None:
    """An image without bytes is written as the end record alone and read back."""
    assert b"".join(intel_hex.encode(SparseBytes())) == b":00000001FF\n"
    assert decode(HEX_END) == Decoded(SparseBytes(), None)


def test_what_is_written() -> None:
    """Rows lie at multiples of 16, a base comes before each 64 KiB, then the entry and the end record.

    The checksums were worked out by hand from the specification.
    """
    image = SparseBytes()
    image.write(0x0800_FFEE, bytes(range(0x22)))
    assert b"".join(intel_hex.encode(image, 0x0800_0041)).decode().splitlines() == [
        ":020000040800F2",
        ":02FFEE00000110",
        ":10FFF00002030405060708090A0B0C0D0E0F101169",
        ":020000040801F1",
        ":1000000012131415161718191A1B1C1D1E1F202158",
        ":0400000508000041AE",
        ":00000001FF",
    ]


def test_records_of_32_bytes() -> None:
    """With row=32 full records hold 32 bytes and read back as the same image."""
    image = SparseBytes()
    image.write(0x1000_0010, bytes(100))
    text = b"".join(intel_hex.encode(image, row=32))
    assert [int(line[1:3], 16) for line in text.splitlines() if line[7:9] == b"00"] == [16, 32, 32, 20]
    assert intel_hex.decode([text], "tide.hex").image == image


@pytest.mark.parametrize(("entry", "row"), [(None, 17), (None, 0), (-1, 16), (1 << 32, 16)])
def test_what_cannot_be_written_is_refused_at_once(entry: int | None, row: int) -> None:
    """A row other than 16 or 32 and an entry outside 32 bits raise ValueError before any block is made."""
    with pytest.raises(ValueError, match=r"expected 16 or 32|32-bit"):
        intel_hex.encode(SparseBytes(), entry, row)


@settings(deadline=None)
@given(
    image=images(max_run=3000),
    entry=st.one_of(st.none(), st.integers(0, 0xFFFF_FFFF)),
    row=st.sampled_from([16, 32]),
)
def test_intelhex_reads_what_is_written(image: SparseBytes, entry: int | None, row: int) -> None:
    """The independent library intelhex 2.3 reads the same bytes and entry; so do we, without remarks."""
    text = b"".join(intel_hex.encode(image, entry, row))
    peer = IntelHex(io.StringIO(text.decode()))
    assert [Span.from_bounds(*bounds) for bounds in peer.segments()] == image.spans()
    for span in image.spans():
        assert peer.gets(span.start, span.size) == image.read(span, None)
    assert peer.start_addr == (None if entry is None else {"EIP": entry})
    assert replace(intel_hex.decode([text], "tide.hex"), gaps=()) == Decoded(image, entry)
    for line in text.splitlines():
        if line[7:9] == b"00":
            assert int(line[3:7], 16) + int(line[1:3], 16) <= 1 << 16


@settings(deadline=None)
@given(image=images(), entry=st.one_of(st.none(), st.integers(0, 0xFFFF_FFFF)), size=st.integers(1, 40))
def test_reads_what_intelhex_writes(image: SparseBytes, entry: int | None, size: int) -> None:
    """Whatever record size intelhex 2.3 writes with, the same bytes and entry are read."""
    peer = IntelHex()
    for address, piece in image.pieces():
        peer.puts(address, bytes(piece))
    peer.start_addr = None if entry is None else {"EIP": entry}
    text = io.StringIO()
    peer.write_hex_file(text, byte_count=size)
    decoded = intel_hex.decode([text.getvalue().encode()], "tide.hex")
    assert replace(decoded, gaps=()) == Decoded(image, entry)


@settings(deadline=None)
@given(image=images(min_runs=1, max_run=3000), seed=st.integers(0, 999))
def test_the_order_of_records_does_not_matter(image: SparseBytes, seed: int) -> None:
    """Data records with their bases, shuffled, give the same image."""
    base, pairs = b"", []
    for line in b"".join(intel_hex.encode(image)).splitlines(keepends=True)[:-1]:
        if line[7:9] == b"04":
            base = line
        else:
            pairs.append(base + line)
    random.Random(seed).shuffle(pairs)
    assert replace(decode(*pairs, HEX_END), gaps=()) == Decoded(image, None)
