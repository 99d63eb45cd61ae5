"""What the readers of text formats refuse: each by name, with its line, what was found and expected."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable, Iterator
from typing import NamedTuple

import pytest
from record_lines import HEX_END, S9_END, hex_line, s_line
from seconds import within

from gemel.errors import ImageFormatError, Problem
from gemel.image import intel_hex, s_record
from gemel.image.gathering import BACK

DECODERS = {"hex": intel_hex.decode, "srec": s_record.decode}


def problems_of(text: bytes, form: str) -> tuple[Problem, ...]:
    with pytest.raises(ImageFormatError) as caught:
        DECODERS[form]([text], "tide")
    return caught.value.problems


class Refusal(NamedTuple):
    """A file, and the one problem that it has: line, words of ``what``, what was found and expected."""

    text: bytes
    line: int
    what: str
    found: str
    expected: str


DATA = hex_line(0, 0x100, b"abcd")
BASE = hex_line(4, 0, b"\x10\x00")

HEX = {
    "wrong checksum": Refusal(
        BASE + DATA[:-3] + b"00\n" + HEX_END, 2, "wrong checksum", "0x00", f"0x{DATA[-3:-1].decode()}"
    ),
    "line cut at a byte": Refusal(
        DATA[:-3] + b"\n" + HEX_END, 1, "a cut line", "8 bytes", "9 bytes by its length field"
    ),
    "line cut inside a byte": Refusal(
        DATA[:-2] + b"\n" + HEX_END, 1, "a cut line", "an odd number of digits (17)", "two digits a byte"
    ),
    "mark without digits": Refusal(b":\n" + HEX_END, 1, "a cut line", "0 bytes", "at least 5 bytes"),
    "cut before the checksum of an empty record": Refusal(
        b":00000000\n" + HEX_END, 1, "a cut line", "4 bytes", "5 bytes by its length field"
    ),
    "line too long": Refusal(
        DATA[:-1] + b"00\n" + HEX_END, 1, "longer than its record", "10 bytes", "9 bytes by its length field"
    ),
    "letter that is no digit": Refusal(
        b":0400G0" + b"\n" + HEX_END, 1, "a character that is no digit", "'G' in column 6", "0-9 or A-F"
    ),
    "blank inside": Refusal(
        b":00 000001FF\n" + HEX_END, 1, "a character that is no digit", "' ' in column 4", "0-9 or A-F"
    ),
    "underscore, which numbers in source code may have": Refusal(
        b":0000_0001FF\n" + HEX_END, 1, "a character that is no digit", "'_' in column 6", "0-9 or A-F"
    ),
    "NUL": Refusal(
        b":00\x000001FF\n" + HEX_END, 1, "a character that is no digit", r"'\x00' in column 4", "0-9 or A-F"
    ),
    "digit that is not ASCII": Refusal(
        ":0000000\u0661FF\n".encode() + HEX_END, 1, "no digit", r"'\xd9' in column 9", "0-9 or A-F"
    ),
    "text": Refusal(b"hello\n" + HEX_END, 1, "not a record", "a line of 5 ", "a line that begins with ':'"),
    "long text, quoted in part": Refusal(
        b"x" * 99 + b"\n" + HEX_END, 1, "not a record", "a line of 99 other characters", "a line that begins with ':'"
    ),
    "byte order mark": Refusal(
        b"\xef\xbb\xbf" + HEX_END + HEX_END, 1, "not a record", "a byte order mark", "':'"
    ),
    "other format": Refusal(S9_END + HEX_END, 1, "not a record", "a line of S-records", "begins with ':'"),
    "unknown type": Refusal(hex_line(6) + HEX_END, 1, "unknown record type", "0x06", "00 to 05"),
    "end record with data": Refusal(hex_line(1, 0, b"a"), 1, "wrong length of the end of file", "1", "0"),
    "02 with 3 bytes": Refusal(
        hex_line(2, 0, b"abc") + HEX_END, 1, "wrong length of the extended segment address", "3", "2"
    ),
    "03 with 2 bytes": Refusal(
        hex_line(3, 0, b"ab") + HEX_END, 1, "wrong length of the start segment address", "2", "4"
    ),
    "04 without data": Refusal(
        hex_line(4) + DATA + HEX_END, 1, "wrong length of the extended linear address", "0", "2"
    ),
    "05 with 5 bytes": Refusal(
        hex_line(5, 0, b"abcde") + HEX_END, 1, "wrong length of the start linear address", "5", "4"
    ),
    "04 with an offset": Refusal(hex_line(4, 1, b"ab") + HEX_END, 1, "has an offset", "0x0001", "0x0000"),
    "end record with an offset": Refusal(hex_line(1, 0x80), 1, "has an offset", "0x0080", "0x0000"),
    "beyond 4 GiB": Refusal(
        hex_line(4, 0, b"\xff\xff") + hex_line(0, 0xFFFF, b"ab") + HEX_END,
        2, "a record goes beyond 4 GiB", "0x1_0000_0000", "0xFFFF_FFFF at most",
    ),
    "two bytes for one address": Refusal(
        b"\n" + DATA + hex_line(0, 0x102, b"c!") + HEX_END,
        3, "a second, different byte for 0x0000_0103", "0x21 here, 0x64 in line 2", "one value",
    ),
    "many bytes for one address": Refusal(
        b"".join(hex_line(0, 0, bytes([each])) for each in range(200)) + HEX_END,
        2, "a second, different byte for 0x0000_0000", "0x01 here, 0x00 in line 1", "one value",
    ),
    "two bytes for one address, below": Refusal(
        BASE + DATA + hex_line(0, 0xFE, b"zyx") + HEX_END,
        3, "a second, different byte for 0x1000_0100", "0x78 here, 0x61 in line 2", "one value",
    ),
    "two bytes for one address after a wrap": Refusal(
        hex_line(2, 0, b"\x10\x00") + hex_line(0, 0xFFFF, b"ab") + hex_line(0, 0, b"c") + HEX_END,
        3, "a second, different byte for 0x0001_0000", "0x63 here, 0x62 in line 2", "one value",
    ),
    "two entries": Refusal(
        hex_line(5, 0, b"\0\0\0\x08") + hex_line(3, 0, b"\0\0\0\x0a") + HEX_END,
        2, "a second, different entry", "0x0000_000A", "0x0000_0008",
    ),
    "data after the end record": Refusal(
        DATA + HEX_END + b"\n" + DATA + DATA, 4, "continues after its end record", "':04010000", "nothing"
    ),
    "second end record": Refusal(HEX_END * 2, 2, "continues after its end record", "after line 1", "nothing"),
    "control-Z after the end record": Refusal(HEX_END + b"\x1a", 2, "continues after", r"'\x1a'", "nothing"),
    "no end record": Refusal(DATA + b"\n", 2, "ends without an end record", "", ":00000001FF as the last"),
    "something after very many blanks": Refusal(
        HEX_END + b" " * 5000 + b":", 2, "too long", "more than 4,096 characters", "at most 521"
    ),
    "line beyond any record": Refusal(
        b":" + b"0" * 5000 + b"\n" + HEX_END, 1, "too long", "more than 4,096 characters", "at most 521"
    ),
}  # fmt: skip

RECORD = s_line(1, 0x100, b"abcd")

SREC = {
    "wrong checksum": Refusal(
        b"\n" + RECORD[:-3] + b"00\n" + S9_END, 2, "wrong checksum", "0x00", f"0x{RECORD[-3:-1].decode()}"
    ),
    "line cut at a byte": Refusal(
        RECORD[:-3] + b"\n" + S9_END, 1, "a cut line", "6 bytes after the count", "7 bytes by its count"
    ),
    "line cut inside a byte": Refusal(
        RECORD[:-2] + b"\n" + S9_END, 1, "a cut line", "an odd number of digits (15)", "two digits a byte"
    ),
    "no count": Refusal(b"S1\n" + S9_END, 1, "a cut line", "0 bytes after the count", "at least 3 bytes"),
    "count below the address": Refusal(
        b"S302FFFE\n" + s_line(7), 1, "a cut line", "2 bytes after the count", "at least 5 bytes"
    ),
    "line too long": Refusal(
        RECORD[:-1] + b"00\n" + S9_END, 1, "longer than its record", "8 bytes", "7 bytes by its count"
    ),
    "letter that is no digit": Refusal(
        b"S1030X00FC\n" + S9_END, 1, "a character that is no digit", "'X' in column 6", "0-9 or A-F"
    ),
    "blank inside": Refusal(b"S103 0000FC\n" + S9_END, 1, "no digit", "' ' in column 5", "0-9 or A-F"),
    "NUL": Refusal(b"S1\x0003\n" + S9_END, 1, "no digit", r"'\x00' in column 3", "0-9 or A-F"),
    "text": Refusal(b"hello\n" + S9_END, 1, "not a record", "a line of 5 ", "begins with S0 to S9"),
    "type that is a letter": Refusal(b"SA03\n" + S9_END, 1, "not a record", "a line of 4 ", "begins with S0 to S9"),
    "bare S": Refusal(b"S\n" + S9_END, 1, "not a record", "a line of 1 other characters", "begins with S0 to S9"),
    "other format": Refusal(HEX_END + S9_END, 1, "not a record", "a line of Intel HEX", "begins with S0 to S9"),
    "reserved type": Refusal(b"S4030000FC\n" + S9_END, 1, "reserved type", "S4", "S0 to S3 or S5 to S9"),
    "beyond 16 bits": Refusal(
        s_line(1, 0xFFFF, b"ab") + S9_END, 1, "its 16-bit addresses", "0x0001_0000", "0x0000_FFFF at most"
    ),
    "beyond 24 bits": Refusal(
        s_line(2, 0xFF_FFFE, b"abc") + s_line(8), 1, "beyond its 24-bit", "0x0100_0000", "0x00FF_FFFF at most"
    ),
    "beyond 32 bits": Refusal(
        s_line(3, 0xFFFF_FFFF, b"ab") + s_line(7), 1, "its 32-bit", "0x1_0000_0000", "0xFFFF_FFFF at most"
    ),
    "S5 with data": Refusal(s_line(5, 0, b"a") + S9_END, 1, "wrong length of the S5 record", "4", "3"),
    "S8 with data": Refusal(s_line(8, 0, b"ab"), 1, "wrong length of the S8 record", "6", "4"),
    "S5 counts other records": Refusal(
        RECORD + s_line(5, 2) + S9_END, 2, "wrong number of data records", "1 before", "2 by this line"
    ),
    "S6 counts other records": Refusal(
        RECORD * 3 + s_line(6, 0x10000) + S9_END, 4, "wrong number", "3 before", "65,536 by this line"
    ),
    "S9 after S3": Refusal(
        s_line(3, 0, b"a") + S9_END, 2, "does not fit the data", "S9", "S7 after S3 records"
    ),
    "S7 after S1": Refusal(RECORD + s_line(7), 2, "does not fit the data", "S7", "S9 after S1 records"),
    "S8 after S1 and S3": Refusal(
        RECORD + s_line(3, 0, b"x") + s_line(8), 3, "does not fit the data", "S8", "S7 after S3 records"
    ),
    "two bytes for one address": Refusal(
        RECORD + s_line(3, 0x101, b"xcd") + s_line(7),
        2, "a second, different byte for 0x0000_0101", "0x78 here, 0x62 in line 1", "one value",
    ),
    "data after the end record": Refusal(
        RECORD + S9_END + RECORD, 3, "continues after its end record", "after line 2", "nothing"
    ),
    "no end record": Refusal(RECORD, 1, "ends without an end record", "", "S7, S8 or S9 as the last record"),
    "line beyond any record": Refusal(
        b"S1" + b"0" * 5000 + b"\n" + S9_END, 1, "too long", "more than 4,096 characters", "at most 514"
    ),
}  # fmt: skip

REFUSALS = [
    pytest.param(form, refusal, id=f"{form}: {name}")
    for form, table in (("hex", HEX), ("srec", SREC))
    for name, refusal in table.items()
]


@pytest.mark.parametrize(("form", "refusal"), REFUSALS)
def test_each_refusal(form: str, refusal: Refusal) -> None:
    """The file has exactly this one problem, in this line, with what was found, expected and to be done."""
    (problem,) = problems_of(refusal.text, form)
    assert problem.where == f"tide:{refusal.line}"
    assert refusal.what in problem.what
    assert refusal.found in problem.found
    assert refusal.expected in problem.expected
    assert bool(problem.found) == bool(refusal.found)
    assert problem.next_step


@pytest.mark.parametrize(("form", "refusal"), REFUSALS)
@pytest.mark.parametrize("size", [1, 2, 3, 7])
def test_blocks_may_end_anywhere(form: str, refusal: Refusal, size: int) -> None:
    """The same problems are found in whatever blocks the file arrives."""
    blocks = (refusal.text[i : i + size] for i in range(0, len(refusal.text), size))
    with pytest.raises(ImageFormatError) as caught:
        DECODERS[form](blocks, "tide")
    assert caught.value.problems == problems_of(refusal.text, form)


@pytest.mark.parametrize(("form", "line", "end"), [("hex", hex_line(6), HEX_END), ("srec", b"S4\n", S9_END)])
def test_all_problems_at_once_but_not_without_end(form: str, line: bytes, end: bytes) -> None:
    """All problems up to 20 are reported, in file order; of more, the number."""
    assert [problem.where for problem in problems_of(line * 20 + end, form)] == [
        f"tide:{number}" for number in range(1, 21)
    ]
    assert problems_of(line * 21 + end, form)[20] == Problem("1 more problem in this file", where="tide")
    problems = problems_of(line * 5020 + end, form)
    assert len(problems) == 21
    assert problems[20] == Problem("5,000 more problems in this file", where="tide")


def test_conflicts_are_bounded_too() -> None:
    """Of 500 conflicting records 20 are reported in full, and this does not look at the rest one by one."""
    lines = b"".join(hex_line(0, 16 * i, b"a") + hex_line(0, 16 * i, b"b") for i in range(500))
    problems = problems_of(lines + HEX_END, "hex")
    assert [problem.where for problem in problems[:20]] == [f"tide:{2 + 2 * i}" for i in range(20)]
    assert problems[20].what == "480 more problems in this file"


@pytest.mark.parametrize("size", [BACK // 16, BACK // 16 + 1])
def test_addresses_that_start_over_are_one_problem(size: int) -> None:
    """Where the upper half of an address is left out, all conflicts after the line have that one cause."""
    first = b"".join(hex_line(0, 16 * i, b"a" * 16) for i in range(size))
    second = b"".join(hex_line(0, 16 * i, b"ab" * 8) for i in range(0, size, 3))
    problems = problems_of(first + second + HEX_END, "hex")
    assert len(problems) == (1 if size * 16 > BACK else len(range(0, size, 3)))
    assert (f"start over in line {size + 1}" in problems[0].next_step) == (size * 16 > BACK)


def test_an_unreadable_base_causes_no_false_conflicts() -> None:
    """Where a base record is damaged, the data behind it is not reported as conflicting with other data."""
    data = hex_line(0, 0, b"a"), hex_line(0, 0, b"b"), hex_line(0, 0, b"c")
    damaged = b":02000004100FEA\n"
    text = b"".join([BASE, data[0], damaged, data[1], hex_line(4, 0, b"\x20\x00"), data[2], HEX_END])
    (problem,) = problems_of(text, "hex")
    assert (problem.where, problem.what) == ("tide:3", "wrong checksum")


def test_a_damaged_data_record_hides_no_conflict() -> None:
    """A damaged data record does not keep conflicts of the others from being reported."""
    text = b"".join([hex_line(0, 0, b"a"), DATA[:-3] + b"00\n", hex_line(0, 0, b"b"), HEX_END])
    assert [problem.where for problem in problems_of(text, "hex")] == ["tide:2", "tide:3"]


@pytest.mark.parametrize("form", DECODERS)
@pytest.mark.parametrize("text", [b"", b"\n \r\n\n", b"\t\n"])
def test_a_file_without_text_is_empty(form: str, text: bytes) -> None:
    """A file of nothing, or of blank lines, is refused as empty, not for the end record that it lacks too."""
    (problem,) = problems_of(text, form)
    assert (problem.where, problem.what) == ("tide", "the file is empty")


OTHER_TEXTS = {
    "one line": (b"version https://example.com/spec/v1", "a line of 35 other characters"),
    "some lines": (b'format = 1\n\n[memory.flash]\nkind = "flash"\n', "3 other lines"),
    "more lines than are reported one by one": (b"text\n" * 99, "99 other lines"),
}


@pytest.mark.parametrize("form", DECODERS)
@pytest.mark.parametrize(("text", "found"), OTHER_TEXTS.values(), ids=OTHER_TEXTS)
def test_a_text_without_a_record_is_one_problem(form: str, text: bytes, found: str) -> None:
    """A file in which no line begins as a record does is another file: that is said once, not for each line."""
    (problem,) = problems_of(text, form)
    assert (problem.where, problem.what, problem.found) == ("tide", "the file holds no record", found)
    assert "line that begins with" in problem.expected
    assert problem.next_step


@pytest.mark.parametrize(
    "record", [DATA, HEX_END, DATA[:-3] + b"00\n", b":\n"], ids=["data", "end", "damaged", "mark alone"]
)
def test_one_record_among_other_lines_makes_a_damaged_file(record: bytes) -> None:
    """Where a line begins as a record does, sound or not, each other line is reported with its number."""
    problems = problems_of(b"text\n" + record + b"", "hex")
    assert (problems[0].where, problems[0].what) == ("tide:1", "not a record")
    late = problems_of(b"text\n" * 99 + record, "hex")
    assert (late[0].where, late[0].what) == ("tide:1", "not a record")


def repeated(block: bytes, size: int) -> Iterator[bytes]:
    """``size`` bytes of ``block`` over and over, never all in memory."""
    for _ in range(size // len(block)):
        yield block


MIB = 1 << 20
HOSTILE: dict[str, tuple[Callable[[], Iterator[bytes]], int, str]] = {
    "a line of 100 MB": (lambda: repeated(b"0" * MIB, 100 * MIB), 2, "too long"),
    "a record that never ends": (lambda: iter([b":FF0000", *repeated(b"0" * MIB, 100 * MIB)]), 2, "too long"),
    "NULs": (lambda: repeated(bytes(MIB), 100 * MIB), 2, "too long"),
    "half a gigabyte of blank lines": (lambda: repeated(b"\n" * MIB, 512 * MIB), 1, "the file is empty"),
    "blanks and no line end": (lambda: repeated(b" " * MIB, 100 * MIB), 2, "too long"),
    "blank lines with blanks": (lambda: repeated(b" \n" * (MIB // 2), MIB), 1, "the file is empty"),
    "carriage returns only": (lambda: repeated(b"\r" * MIB, 64 * MIB), 1, "the file is empty"),
    "bytes of a picture": (lambda: repeated(bytes(range(128, 256)) * 4096, 16 * MIB), 2, "too long"),
    "empty blocks": (lambda: repeated(b"\n", 1000), 1, "the file is empty"),
}


@pytest.mark.parametrize("form", DECODERS)
@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_take_bounded_memory(form: str, name: str) -> None:
    """Files that grow without holding data are refused in at most 8 MiB of memory, within seconds."""
    blocks, count, words = HOSTILE[name]
    with within(20):
        tracemalloc.start()
        try:
            with pytest.raises(ImageFormatError) as caught:
                DECODERS[form](blocks(), "tide")
            assert tracemalloc.get_traced_memory()[1] < 8 * MIB
        finally:
            tracemalloc.stop()
    assert len(caught.value.problems) <= count
    assert words in caught.value.problems[0].what


@pytest.mark.parametrize(
    ("start", "step"), [(b"\xef\xbb\xbf", "without a byte order mark"), (b"x", "sent again")]
)
def test_a_byte_order_mark_is_no_damage(start: bytes, step: str) -> None:
    """An editor added it: the file is to be saved again, not sent again."""
    with pytest.raises(ImageFormatError) as caught:
        intel_hex.decode([start + HEX_END + HEX_END], "x.hex")
    assert step in caught.value.problems[0].next_step
