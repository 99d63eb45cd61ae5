"""Looking through images by blocks, against looking at every byte."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from hypothesis import given
from hypothesis import strategies as st

from gemel.image.sparse import SparseBytes
from gemel.inspection import image_bytes
from gemel.inspection.image_bytes import BLOCK, Deviation, differing, differs_only_as, not_erased
from gemel.spans import Span

START = 0x1000_0000 - 8
FEW = st.sampled_from([0x00, 0x01, 0xFF])
WRITES = st.lists(st.tuples(st.integers(0, 60), st.lists(FEW, min_size=1, max_size=12)), max_size=6)


def _image(writes) -> SparseBytes:
    image = SparseBytes()
    for offset, data in writes:
        image.write(START + offset, bytes(data))
    return image


@contextmanager
def _blocks_of(size: int) -> Iterator[None]:
    """Compare ``size`` bytes at once, so that short examples reach over borders of blocks."""
    image_bytes.BLOCK = size
    try:
        yield
    finally:
        image_bytes.BLOCK = BLOCK


def _deviation(addresses: list[int]) -> Deviation | None:
    return Deviation(addresses[0], addresses[-1], len(addresses)) if addresses else None


@given(writes=WRITES, offset=st.integers(0, 70), size=st.integers(0, 40), erased=FEW, block=st.integers(1, 7))
def test_bytes_that_are_not_erased(writes, offset: int, size: int, erased: int, block: int) -> None:
    """First, last and number of held bytes that are not erased are those of a walk over each byte."""
    image, span = _image(writes), Span(START + offset, size)
    expected = [
        address
        for address in range(span.start, span.end)
        if image.holds(Span(address, 1)) and image.read(Span(address, 1), None)[0] != erased
    ]
    with _blocks_of(block):
        assert not_erased(image, span, erased) == _deviation(expected)


@given(writes=WRITES, offset=st.integers(0, 70), data=st.lists(FEW, max_size=40), block=st.integers(1, 7))
def test_bytes_that_differ(writes, offset: int, data: list[int], block: int) -> None:
    """First, last and number of differing bytes are those of a walk; bytes not held count as erased."""
    image, address = _image(writes), START + offset
    held = image.read(Span(address, len(data)), 0xFF)
    expected = [
        address + at for at, (ours, theirs) in enumerate(zip(held, data, strict=True)) if ours != theirs
    ]
    with _blocks_of(block):
        assert differing(image, address, bytes(data), 0xFF) == _deviation(expected)


@given(pairs=st.lists(st.tuples(FEW, FEW), max_size=40), byte=FEW, block=st.integers(1, 7))
def test_bytes_that_differ_as_one_value(pairs: list[tuple[int, int]], byte: int, block: int) -> None:
    """True exactly if each differing byte of the first run has that value."""
    held, expected = bytes(ours for ours, _ in pairs), bytes(theirs for _, theirs in pairs)
    wanted = all(ours == byte for ours, theirs in pairs if ours != theirs)
    with _blocks_of(block):
        assert differs_only_as(held, expected, byte) == wanted


def test_a_deviation_spans_from_first_to_last() -> None:
    """Its span holds both ends."""
    assert Deviation(0x10, 0x13, 2).span == Span(0x10, 4)
