"""Raw binary: bytes of one span, in blocks."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import images

from gemel.errors import ImageFormatError
from gemel.image import raw_binary
from gemel.image.sparse import SparseBytes
from gemel.spans import ADDRESS_SPACE, Span


@given(
    data=st.binary(min_size=1, max_size=200),
    sizes=st.integers(1, 50),
    start=st.integers(0, ADDRESS_SPACE - 200),
)
def test_read_and_written_again(data: bytes, sizes: int, start: int) -> None:
    """The first byte lies at the start, and what is written from there are the file's bytes."""
    blocks = [data[i : i + sizes] for i in range(0, len(data), sizes)]
    decoded = raw_binary.decode(blocks, start, "tide.bin")
    assert decoded.image.spans() == [Span(start, len(data))]
    assert (decoded.entry, decoded.remarks) == (None, ())
    assert b"".join(raw_binary.encode(decoded.image, Span(start, len(data)), None)) == data


@given(
    image=images(min_runs=1, max_runs=1),
    before=st.integers(0, 50),
    behind=st.integers(0, 50),
    fill=st.integers(0, 255),
)
def test_holes_are_filled(image: SparseBytes, before: int, behind: int, fill: int) -> None:
    """Addresses of the span that hold nothing get the fill byte; bytes outside the span are left out."""
    (held,) = image.spans()
    image.write(held.start ^ 0x4000_0000, b"elsewhere")
    start, end = max(0, held.start - before), min(ADDRESS_SPACE, held.end + behind)
    data = b"".join(raw_binary.encode(image, Span.from_bounds(start, end), fill))
    head, tail = held.start - start, end - held.end
    assert data == bytes((fill,)) * head + image.read(held, None) + bytes((fill,)) * tail


@pytest.mark.parametrize(
    ("span", "fill", "words"),
    [
        (Span(16, 5), None, "not every byte of 0x0000_0010..0x0000_0014 is held"),
        (Span(ADDRESS_SPACE - 1, 2), 0xFF, "outside the 32-bit address space"),
        (Span(-1, 2), 0xFF, "outside the 32-bit address space"),
    ],
)
def test_what_cannot_be_written_is_refused_at_once(span: Span, fill: int | None, words: str) -> None:
    """A hole without a fill byte and a span outside 32 bits raise ValueError before the first block."""
    image = SparseBytes()
    image.write(16, b"tide")
    with pytest.raises(ValueError, match=words):
        raw_binary.encode(image, span, fill)


@pytest.mark.parametrize(
    ("start", "found"),
    [(ADDRESS_SPACE - 3, "0x1_0000_0000"), (ADDRESS_SPACE, "0x1_0000_0003"), (-8, "-0x0000_0008")],
)
def test_bytes_beyond_the_address_space_are_refused(start: int, found: str) -> None:
    """A file that would begin or end outside 32 bits is refused with where its bytes would lie."""
    with pytest.raises(ImageFormatError) as caught:
        raw_binary.decode([b"tide"], start, "tide.bin")
    (problem,) = caught.value.problems
    assert problem.where == "tide.bin"
    assert found in problem.found
    assert problem.expected == "0x0000_0000..0xFFFF_FFFF"
    assert "start address" in problem.next_step


def test_an_empty_file_is_refused() -> None:
    """A file without bytes is no image of an erased device: nothing tells it from a copy that failed."""
    with pytest.raises(ImageFormatError) as caught:
        raw_binary.decode([b"", b""], 0x1000_0000, "tide.bin")
    (problem,) = caught.value.problems
    assert (problem.what, problem.where, problem.found) == ("the file is empty", "tide.bin", "0 bytes")


def test_a_wide_span_is_written_in_blocks() -> None:
    """64 MiB with two bytes in them are written in under 4 MiB of memory."""
    image = SparseBytes()
    image.write(0, b"a")
    image.write((64 << 20) - 1, b"z")
    tracemalloc.start()
    try:
        size = sum(len(block) for block in raw_binary.encode(image, Span(0, 64 << 20), 0xFF))
        assert tracemalloc.get_traced_memory()[1] < 4 << 20
    finally:
        tracemalloc.stop()
    assert size == 64 << 20
