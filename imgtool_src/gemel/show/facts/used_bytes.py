"""Which bytes of an image are content, and which are erased or blank."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from gemel.image.sparse import SparseBytes
from gemel.spans import Span, merge, without
from gemel.structs import NamedTuple

JOINING_GAP = 16
"""Fewer erased bytes than this between content belong to the content."""

BLANK_RUN = 256
"""From this many equal bytes 0x00 or 0xFF on, a stretch is reported as blank."""

_BLOCK = 1 << 16


class Blank(NamedTuple):
    """A stretch of one byte value."""

    span: Span
    byte: int


def content_runs(image: SparseBytes, span: Span, erased: int) -> list[Span]:
    """The runs of bytes in ``span`` that are held and not erased, ascending.

    Runs with fewer than ``JOINING_GAP`` bytes between them are reported as one.
    """
    pattern = re.compile(b"[^%b]+" % re.escape(bytes((erased,))))
    runs = (
        Span(address + match.start(), match.end() - match.start())
        for address, block in _blocks(image, span)
        if block.count(erased) < len(block)
        for match in pattern.finditer(block)
    )
    return merge(runs, JOINING_GAP - 1)


def _blocks(image: SparseBytes, span: Span) -> Iterator[tuple[int, bytes]]:
    """What ``image`` holds in ``span``, in pieces small enough to be copied."""
    for address, view in image.pieces(span):
        for offset in range(0, len(view), _BLOCK):
            yield address + offset, bytes(view[offset : offset + _BLOCK])


def has_content(image: SparseBytes, span: Span, erased: int) -> bool:
    """Whether any byte of ``span`` is held and not erased."""
    return any(block.count(erased) != len(block) for _, block in _blocks(image, span))


def blank_runs(image: SparseBytes) -> Iterator[Blank]:
    """The stretches of at least ``BLANK_RUN`` bytes 0xFF or 0x00 in what ``image`` holds, ascending."""
    for run in image.spans():
        data = image.read(run, None)
        blanks = [blank for byte in (0x00, 0xFF) for blank in _blanks_of(data, byte, run.start)]
        yield from sorted(blanks)


def _blanks_of(data: bytes, byte: int, start: int) -> Iterator[Blank]:
    """Those of one byte value in ``data``, which is at address ``start``."""
    other = re.compile(b"[^%b]" % re.escape(bytes((byte,))))
    wanted = bytes((byte,)) * BLANK_RUN
    position = data.find(wanted)
    while position >= 0:
        after = other.search(data, position)
        end = after.start() if after else len(data)
        yield Blank(Span(start + position, end - position), byte)
        position = data.find(wanted, end)


def size_of(spans: Iterable[Span]) -> int:
    """Bytes that the spans take, each byte counted once."""
    return sum(span.size for span in merge(spans))


def largest_free(span: Span, taken: Iterable[Span]) -> Span | None:
    """The longest stretch of ``span`` outside ``taken``, the first of equals; None if there is none."""
    return max(without([span], taken), key=lambda free: free.size, default=None)


def per_cent(part: int, whole: int) -> float:
    """``part`` of ``whole`` in per cent to one place; 0 and 100 only where they are exact."""
    if part in (0, whole) or whole == 0:
        return 100.0 if part and part == whole else 0.0
    return min(99.9, max(0.1, round(100 * part / whole, 1)))
