"""Lines of a text file from blocks, against bytes.splitlines; fast paths against the careful ones."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from record_lines import HEX_END, S9_END, hex_line, s_line
from strategies import images

from gemel.errors import ImageFormatError, Problem
from gemel.image import intel_hex, s_record, text_lines
from gemel.image.columns import MAX_SUMMED, assembled, data_of, row_blocks, row_sums, unhex_rows
from gemel.image.gathering import Gathering
from gemel.image.image import Decoded
from gemel.image.sparse import SparseBytes
from gemel.spans import Span


class Recorder:
    """A line reader that keeps what it is given; takes rows whole if ``greedy``."""

    def __init__(self, greedy: bool) -> None:
        self.greedy = greedy
        self.seen: list[tuple[int, bytes | None]] = []

    def line(self, number: int, text: bytes) -> None:
        if text:
            self.seen.append((number, text))

    def overlong(self, number: int) -> None:
        self.seen.append((number, None))

    def rows(self, number: int, text: bytes, width: int) -> bool:
        assert len(text) % width == 0
        assert len(text) // width >= text_lines.MIN_ROWS
        assert set(text[width - 1 :: width]) == {ord("\n")}
        if not self.greedy or b"\r" in text or text.count(b"\n") * width != len(text):
            return False
        if width - 1 > text_lines.MAX_LINE:
            return False
        for line in text.split(b"\n")[:-1]:
            self.line(number, line)
            number += 1
        return True


@settings(max_examples=400, deadline=None)
@given(
    parts=st.lists(
        st.tuples(
            st.sampled_from([b"", b" ", b":00", b"S1", b"0123456789abcdef"]),
            st.sampled_from([b"\n", b"\r", b"\r\n", b""]),
            st.integers(1, 12),
        )
    ),
    sizes=st.lists(st.integers(1, 40), min_size=1),
    greedy=st.booleans(),
)
def test_lines_are_those_of_splitlines(parts: list, sizes: list[int], greedy: bool) -> None:
    """Whatever the blocks, each line comes once, in order, with its number; too long ones are named."""
    text = b"".join((body + end) * times for body, end, times in parts)
    expected = [
        (number, None if len(line) > 20 else line) for number, line in enumerate(text.splitlines(), 1) if line
    ]
    blocks, position = [], 0
    while position < len(text):
        size = sizes[len(blocks) % len(sizes)]
        blocks.append(text[position : position + size])
        position += size
    recorder = Recorder(greedy)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(text_lines, "MAX_LINE", 20)
        patch.setattr(text_lines, "WINDOW", 32)
        lines = text_lines.scan(blocks, recorder)
    assert recorder.seen == expected
    assert lines == len(text.splitlines())


@given(size=st.integers(1, MAX_SUMMED), count=st.integers(0, 20), seed=st.integers(0, 99))
def test_row_sums_are_plain_sums(size: int, count: int, seed: int) -> None:
    """The sums of all rows at once are those of one row after the other, also for rows of 0xFF."""
    for raw in (random.Random(seed).randbytes(size * count), b"\xff" * (size * count)):
        rows = [raw[i : i + size] for i in range(0, len(raw), size)]
        assert list(row_sums(raw, size)) == [sum(row) & 0xFF for row in rows]


def test_longest_summed_is_the_longest() -> None:
    """A row of one byte more could no longer be summed up in 16 bits."""
    assert MAX_SUMMED * 255 == 0xFFFF


@given(data=st.binary(min_size=4, max_size=60), row=st.integers(1, 4))
def test_assembled_rows_come_apart_again(data: bytes, row: int) -> None:
    """Rows hold prefix, data and a checksum of 0; the data comes out as it went in."""
    data = data[: len(data) // row * row]
    count = len(data) // row
    raw = assembled([b"\x01" * count, b"\x02" * count], data, row)
    rows = [raw[i : i + row + 3] for i in range(0, len(raw), row + 3)]
    assert rows == [b"\x01\x02" + data[i * row : (i + 1) * row] + b"\0" for i in range(count)]
    assert data_of(bytes(raw), row + 3, 2) == data


@pytest.mark.parametrize(
    ("text", "width", "expected"),
    [
        (b":0a0B\n:0C0d\n", 6, bytes.fromhex("0A0B0C0D")),
        (b":0a0B\r\n:0C0d\r\n", 7, bytes.fromhex("0A0B0C0D")),
        (b":0a0B\n:0C d\n", 6, None),
        (b":0a0B\n:0C0 \n", 6, None),
        (b":0a0B\n0:C0d\n", 6, None),
        (b":0a0B\n:0\r0d\n", 6, None),
        (b":0a0B\n::0d0\n", 6, None),
        (b":0a0\n:0C0\n", 5, None),
        (b":0a0g\n:0C0d\n", 6, None),
        (b":0a0_\n:0C0d\n", 6, None),
    ],
)
def test_unhex_rows(text: bytes, width: int, expected: bytes | None) -> None:
    """Only equally long lines of mark, digits and line end give bytes."""
    assert unhex_rows(text, width, b":") == expected


@given(image=images(), row=st.sampled_from([16, 32]))
def test_row_blocks_cover_the_image(image: SparseBytes, row: int) -> None:
    """Blocks hold the image, in whole rows inside 64 KiB that begin at multiples of the row or of a run."""
    copy = SparseBytes()
    starts = {span.start for span in image.spans()}
    for address, data, size in row_blocks(image, row):
        assert copy.add(address, data) == []
        assert len(data) % size == 0
        assert 0 < size <= row
        assert address >> 16 == (address + len(data) - 1) >> 16
        assert address % row == 0 or address in starts
        assert size == row or len(data) == size
    assert copy == image


def outcome(reader: intel_hex._Reader | s_record._Reader, text: bytes) -> Decoded | tuple[Problem, ...]:
    try:
        return reader.finish(text_lines.scan([text], reader))
    except ImageFormatError as error:
        return error.problems


class CarefulHex(intel_hex._Reader):
    def rows(self, number: int, text: bytes, width: int) -> bool:
        return False


class CarefulSRecord(s_record._Reader):
    def rows(self, number: int, text: bytes, width: int) -> bool:
        return False


def line_by_line(maker: type, row: int, count: int, address: int, change: st.DataObject) -> Iterator[bytes]:
    """Records of ``row`` bytes on end, some of them spoilt in a way that keeps the length."""
    content = random.Random(row * count).randbytes(row * count)
    spoilt = change.draw(st.sets(st.integers(0, count - 1), max_size=2))
    for i in range(count):
        data = content[i * row : (i + 1) * row]
        if maker is CarefulHex:
            line = hex_line(0, (address + i * row) & 0xFFFF, data)
        else:
            line = s_line(1, (address + i * row) & 0xFFFF, data)
        if i in spoilt:
            at = change.draw(st.integers(0, len(line) - 1))
            new = change.draw(st.sampled_from(list(b"0123456789AFf:Ss \t\r\n_\x00\xff")))
            line = line[:at] + bytes((new,)) + line[at + 1 :]
        yield line


@settings(max_examples=300, deadline=None)
@given(
    row=st.integers(1, 40),
    count=st.integers(8, 30),
    address=st.sampled_from([0, 5, 0xFF00, 0xFFF0]),
    end=st.sampled_from([b"\n", b"\r\n"]),
    lower=st.booleans(),
    form=st.sampled_from(
        [(intel_hex._Reader, CarefulHex, HEX_END), (s_record._Reader, CarefulSRecord, S9_END)]
    ),
    change=st.data(),
)
def test_rows_at_once_are_rows_one_by_one(row, count, address, end, lower, form, change) -> None:
    """Taking equal lines at once accepts and refuses what taking them one by one does, in the same words."""
    fast, careful, end_record = form
    text = b"".join(line_by_line(careful, row, count, address, change)) + end_record
    text = (text.lower() if lower and careful is CarefulHex else text).replace(b"\n", end)
    assert outcome(fast(Gathering("tide")), text) == outcome(careful(Gathering("tide")), text)


@pytest.mark.parametrize(
    ("maker", "line", "end"),
    [
        (intel_hex._Reader, lambda a: hex_line(0, a, bytes(16)), HEX_END),
        (s_record._Reader, lambda a: s_line(3, a, bytes(16)), s_line(7)),
    ],
)
def test_the_fast_way_is_taken(maker, line, end, monkeypatch) -> None:
    """Of a file of equal lines on end, no data record is looked at by itself."""
    looked_at: list[int] = []
    careful = maker.line
    monkeypatch.setattr(
        maker, "line", lambda self, number, text: (looked_at.append(number), careful(self, number, text))[1]
    )
    text = b"".join(line(16 * i) for i in range(500)) + end
    reader = maker(Gathering("tide"))
    decoded = reader.finish(text_lines.scan([text], reader))
    assert decoded.image.spans() == [Span(0, 8000)]
    assert looked_at == [501]
