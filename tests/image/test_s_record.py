"""S-record against the handbook's example, and against binutils in both directions."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_lines import S9_END, s_line
from strategies import images
from tools import required_tool

from gemel.image import s_record
from gemel.image.image import Decoded
from gemel.image.sparse import SparseBytes
from gemel.spans import Span
from gemel.structs import replace

# M68000 Family Programmer's Reference Manual, Appendix C (from memory; checksums recomputed).
HANDBOOK = b"""S00600004844521B
S1130000285F245F2212226A000424290008237C2A
S11300100002000800082629001853812341001813
S113002041E900084E42234300182342000824A952
S107003000144ED492
S9030000FC
"""
HANDBOOK_BYTES = bytes.fromhex(
    "285F245F2212226A000424290008237C0002000800082629001853812341001841E900084E42234300182342000824A900144ED4"
)


def decode(*lines: bytes) -> Decoded:
    return s_record.decode([b"".join(lines)], "tide.srec")


def image_at(address: int, data: bytes) -> SparseBytes:
    image = SparseBytes()
    image.write(address, data)
    return image


def test_the_handbook_example_is_read() -> None:
    """The handbook's five records give its 52 bytes at address 0 and no entry."""
    assert decode(HANDBOOK) == Decoded(image_at(0, HANDBOOK_BYTES), None)


def test_the_handbook_example_is_written() -> None:
    """The handbook's bytes are written as its own records, with their number added."""
    text = b"".join(s_record.encode(image_at(0, HANDBOOK_BYTES), header="HDR"))
    *records, end = HANDBOOK.splitlines(keepends=True)
    assert text == b"".join([*records, b"S5030004F8\n", end])


# Second-hand, from published notes on the format; checksums recomputed.
@pytest.mark.parametrize(
    ("text", "address", "data"),
    [
        (b"S315CAFE010055AA55AA55AA55AA55AA55AA55AA55AA29\nS70500000000FA\n", 0xCAFE_0100, b"\x55\xaa" * 8),
        (b"S104000041BA\nS9030000FC\n", 0, b"A"),
    ],
)
def test_published_records(text: bytes, address: int, data: bytes) -> None:
    """Records printed elsewhere give the address and bytes that they spell."""
    assert decode(text) == Decoded(image_at(address, data), None)


def test_a_published_count_record() -> None:
    """S5030003F9 counts three records."""
    lines = [s_line(1, address, b"x") for address in range(3)]
    assert decode(*lines, b"S5030003F9\n", S9_END).image.size == 3


@pytest.mark.parametrize(
    ("last", "entry", "kinds"),
    [
        (0xFFFF, None, "0159"),
        (0xFFFF, 0xFFFF, "0159"),
        (0xFFFF, 0x1_0000, "0258"),
        (0x1_0000, None, "0258"),
        (0xFF_FFFF, 0xFF_FFFF, "0258"),
        (0xFF_FFFF, 0x100_0000, "0357"),
        (0x100_0000, 5, "0357"),
        (0xFFFF_FFFF, 0xFFFF_FFFF, "0357"),
    ],
)
def test_the_width_follows_the_need(last: int, entry: int | None, kinds: str) -> None:
    """The narrowest addresses that reach the last byte and the entry are taken, with their end record."""
    text = b"".join(s_record.encode(image_at(last, b"x"), entry))
    assert "".join(chr(line[1]) for line in text.splitlines()) == kinds
    assert decode(text) == Decoded(image_at(last, b"x"), entry)


def test_more_than_65535_records_are_counted_with_24_bits() -> None:
    """1 MiB in records of 16 bytes is 65,536 records: S6."""
    image = image_at(0, bytes(1 << 20))
    lines = b"".join(s_record.encode(image)).splitlines()
    assert lines[-2] == b"S604010000FA"
    assert len(lines) == 65_536 + 3
    assert decode(b"\n".join(lines)).image == image


def test_mixed_widths_are_remarked() -> None:
    """Records of several widths are read, with one remark; the end record is that of the widest."""
    decoded = decode(s_line(1, 0, b"a"), s_line(3, 1, b"b"), s_line(1, 2, b"c"), s_line(7, 0x1234_5679))
    assert decoded.image == image_at(0, b"abc")
    assert decoded.entry == 0x1234_5679
    (remark,) = decoded.remarks
    assert remark.where == "tide.srec:2"
    assert "different widths" in remark.what


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b" \n\n\t"])
@pytest.mark.parametrize("lower", [False, True])
def test_line_ends_case_and_margins_do_not_matter(end: bytes, lower: bool) -> None:
    """Every line end, blank lines, white space around records and lower case are accepted."""
    image = image_at(0x1000_0005, bytes(range(256)))
    lines = b"".join(s_record.encode(image, header="tide gauge")).split()
    text = end + end.join(line.lower() if lower else line for line in lines)
    assert decode(text) == Decoded(image, None)


def test_an_empty_image() -> None:
    """An image without bytes is written with a count of 0 and read back; any end record will do."""
    assert b"".join(s_record.encode(SparseBytes())) == b"S0030000FC\nS5030000FC\nS9030000FC\n"
    for end in (s_line(7, 8), s_line(8, 8), s_line(9, 8)):
        assert decode(end) == Decoded(SparseBytes(), 8)


def test_an_empty_data_record_is_counted_and_holds_nothing() -> None:
    """A data record may have no data; S5 counts it."""
    assert decode(s_line(1, 5), s_line(5, 1), S9_END).image == SparseBytes()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"row": 8}, "expected 16 or 32"),
        ({"entry": 1 << 32}, "32-bit"),
        ({"header": "x" * 253}, "at most 252"),
        ({"header": "ü" * 127}, "254 bytes"),
    ],
)
def test_what_cannot_be_written_is_refused_at_once(arguments: dict, words: str) -> None:
    """Another row, an entry outside 32 bits, too long a header raise ValueError before any block is made."""
    with pytest.raises(ValueError, match=words):
        s_record.encode(SparseBytes(), **arguments)


@settings(deadline=None)
@given(
    image=images(max_run=3000),
    entry=st.one_of(st.none(), st.integers(1, 0xFFFF_FFFF)),
    row=st.sampled_from([16, 32]),
    header=st.text(max_size=60),
)
def test_what_is_written_is_read_back(image: SparseBytes, entry: int | None, row: int, header: str) -> None:
    """Image and entry come back, without remarks, whatever the header says."""
    text = b"".join(s_record.encode(image, entry, row, header))
    assert replace(decode(text), gaps=()) == Decoded(image, entry)


def converted(tool: str, source: Path, to: str, *options: str) -> bytes:
    """The file ``source`` converted by objcopy into the format ``to``."""
    target = source.with_suffix(f".{to}.out")
    subprocess.run([tool, *options, "-O", to, str(source), str(target)], check=True, capture_output=True)
    return target.read_bytes()


WITH_OBJCOPY = settings(
    deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.fixture
def objcopy() -> str:
    return required_tool("objcopy")


@WITH_OBJCOPY
@given(
    start=st.sampled_from([0, 0xFFF0, 0xFF_FF80, 0x1000_0005, 0xFFFF_0000]),
    pieces=st.lists(
        st.tuples(st.integers(0, 900), st.binary(min_size=1, max_size=200)), min_size=1, max_size=4
    ),
    row=st.sampled_from([16, 32]),
)
def test_binutils_reads_what_is_written(
    tmp_path: Path, objcopy: str, start: int, pieces: list, row: int
) -> None:
    """GNU objcopy turns what is written into the same bytes, at all three widths."""
    image = SparseBytes()
    for offset, data in pieces:
        image.write(start + offset, data)
    source = tmp_path / "tide.srec"
    source.write_bytes(b"".join(s_record.encode(image, row=row, header="tide gauge")))
    bounds = image.bounds()
    assert bounds is not None
    assert converted(objcopy, source, "binary", "-I", "srec", "--gap-fill", "0xA5") == image.read(
        bounds, 0xA5
    )


@WITH_OBJCOPY
@given(
    start=st.sampled_from([0, 0xFFF0, 0xFF_FF80, 0x1000_0005, 0xFFFF_0000]),
    data=st.binary(min_size=1, max_size=900),
    length=st.sampled_from([1, 7, 16, 32, 250]),
    forced=st.booleans(),
)
def test_reads_what_binutils_writes(
    tmp_path: Path, objcopy: str, start: int, data: bytes, length: int, forced: bool
) -> None:
    """What GNU objcopy writes, with any record length and with S3 forced, is read as the same bytes."""
    source = tmp_path / "tide.bin"
    source.write_bytes(data)
    options = ["-I", "binary", f"--change-addresses={start:#x}", f"--srec-len={length}"]
    text = converted(objcopy, source, "srec", *options, *(["--srec-forceS3"] if forced else []))
    decoded = decode(text)
    assert decoded.image == image_at(start, data)
    assert decoded.image.spans() == [Span(start, len(data))]
