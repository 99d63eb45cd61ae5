"""Looking through an image's bytes quickly: what is not erased, where two runs differ.

Blocks are compared whole; a block is looked at byte by byte only where it is not as expected.
"""

from __future__ import annotations

from gemel.image.sparse import Octets, SparseBytes
from gemel.spans import Span, without
from gemel.structs import Struct

BLOCK = 1 << 16
"""Bytes compared at once."""
_NOT_ZERO = bytes((0, *(1,) * 255))


class Deviation(Struct):
    """Bytes that are not as expected: the address of the first and of the last, and how many."""

    first: int
    last: int
    count: int

    @property
    def span(self) -> Span:
        """From the first to the last of them."""
        return Span.from_bounds(self.first, self.last + 1)


def not_erased(image: SparseBytes, span: Span, erased_byte: int) -> Deviation | None:
    """The bytes that ``image`` holds in ``span`` and that are not ``erased_byte``; None if there are none."""
    erased = bytes((erased_byte,))
    blank = erased * BLOCK
    found: Deviation | None = None
    for address, piece in image.pieces(span):
        for start in range(0, len(piece), BLOCK):
            block = bytes(piece[start : start + BLOCK])
            if block == blank or block == blank[: len(block)]:
                continue
            first = address + start + len(block) - len(block.lstrip(erased))
            last = address + start + len(block.rstrip(erased)) - 1
            count = len(block) - block.count(erased)
            found = _joined(found, Deviation(first, last, count))
    return found


def differing(image: SparseBytes, address: int, data: Octets, erased_byte: int) -> Deviation | None:
    """Where ``image`` from ``address`` on is not ``data``; bytes that it does not hold count as erased."""
    view = memoryview(data)
    found: Deviation | None = None
    for start in range(0, len(view), BLOCK):
        expected = bytes(view[start : start + BLOCK])
        held = image.read(Span(address + start, len(expected)), erased_byte)
        if held == expected:
            continue
        mask = int.from_bytes(held, "big") ^ int.from_bytes(expected, "big")
        marks = mask.to_bytes(len(held), "big")
        first = address + start + len(marks) - len(marks.lstrip(b"\0"))
        last = address + start + len(marks.rstrip(b"\0")) - 1
        found = _joined(found, Deviation(first, last, len(marks) - marks.count(0)))
    return found


def differing_where_held(image: SparseBytes, address: int, data: Octets) -> Deviation | None:
    """The same where what ``image`` does not hold may be filled with any one byte, as gaps in a binary are."""
    view = memoryview(data)
    found: Deviation | None = None
    for start, piece in image.pieces(Span(address, len(view))):
        ours = view[start - address : start - address + len(piece)]
        if deviation := differing(image, start, ours, 0):
            found = _joined(found, deviation)
    for gap in without([Span(address, len(view))], image.held_in(Span(address, len(view)))):
        fill = bytes(view[gap.start - address :][: gap.size])
        if fill.count(fill[0]) != len(fill):
            deviation = Deviation(gap.start, gap.last, len(fill))
            found = _in_order(found, deviation)
    return found


def _in_order(found: Deviation | None, more: Deviation) -> Deviation:
    if found is None:
        return more
    return Deviation(min(found.first, more.first), max(found.last, more.last), found.count + more.count)


def differs_only_as(held: bytes, expected: bytes, byte: int) -> bool:
    """Whether ``held`` is ``byte`` wherever it is not ``expected`` (of the same length)."""
    for start in range(0, len(held), BLOCK):
        ours, theirs = held[start : start + BLOCK], expected[start : start + BLOCK]
        differs = int.from_bytes(ours, "big") ^ int.from_bytes(theirs, "big")
        other = int.from_bytes(ours, "big") ^ int.from_bytes(bytes((byte,)) * len(ours), "big")
        if _marks(differs, len(ours)) & _marks(other, len(ours)):
            return False
    return True


def _marks(difference: int, size: int) -> int:
    """Each byte of ``difference`` that is not zero as 1."""
    return int.from_bytes(difference.to_bytes(size, "big").translate(_NOT_ZERO), "big")


def _joined(found: Deviation | None, more: Deviation) -> Deviation:
    return Deviation(found.first, more.last, found.count + more.count) if found else more
