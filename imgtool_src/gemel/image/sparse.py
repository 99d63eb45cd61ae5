"""Bytes by 32-bit address, with memory only for what is held.

Held bytes are in sorted, disjoint chunks.  Chunks that touch are merge as long as that is cheap:
two neighbours stay apart only when the right one is larger than both the left one and ``MAX_MERGED``,
so that writing an image backwards costs no more than a bounded move per write.  Everything this
module returns is independent of where chunks happen to end, except how ``pieces`` cuts a run.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from typing import TypeAlias

from gemel.spans import ADDRESS_SPACE, Span, format_address, merge, offsets_of
from gemel.structs import NamedTuple

MAX_MERGED = 1 << 16
"""Largest chunk in bytes that is moved to join a smaller one in front of it."""

WINDOW = 1 << 20
"""Bytes that are looked through at a time."""

Octets: TypeAlias = bytes | bytearray | memoryview
"""What can be written: any run of bytes."""


class Conflict(NamedTuple):
    """An address that already holds the byte ``held`` and was to be given the byte ``new``."""

    address: int
    held: int
    new: int


class SparseBytes:
    """A mutable map from addresses 0..2**32 - 1 to bytes.

    Finding an address is a bisection over the chunks; writing after the byte written before is
    amortised constant time.  Equality compares what is held where, not how it came there.
    """

    __slots__ = ("_chunks", "_starts")
    __hash__ = None  # type: ignore[assignment]  # mutable

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._chunks: dict[int, bytearray] = {}

    # -- asking ------------------------------------------------------------------------------------

    @property
    def size(self) -> int:
        """Number of bytes held."""
        return sum(map(len, self._chunks.values()))

    def bounds(self) -> Span | None:
        """Return the smallest span around everything held, or None when nothing is."""
        if not self._starts:
            return None
        last = self._starts[-1]
        return Span.from_bounds(self._starts[0], last + len(self._chunks[last]))

    def spans(self) -> list[Span]:
        """Return the runs of held bytes: sorted, none empty, none touching another."""
        return merge(Span(start, len(self._chunks[start])) for start in self._starts)

    def held_in(self, span: Span) -> list[Span]:
        """Return the runs of held bytes inside ``span``, clipped to it; any span may be requested."""
        return merge(Span(address, len(piece)) for address, piece in self.pieces(span))

    def holds(self, span: Span) -> bool:
        """Whether every byte of ``span`` is held; true for an empty span."""
        return span.size == 0 or self.held_in(span) == [span]

    def pieces(self, span: Span | None = None) -> Iterator[tuple[int, memoryview]]:
        """Each (address, read-only view) of held bytes, ascending, clipped to ``span`` (None: all).

        Nothing is copied.  A long run may come in several pieces.  Views show later writes to the same
        addresses until the chunk grows; do not write, add or erase while iterating, and let go of the
        views before writing much: a chunk that is viewed must be copied to change its length.
        """
        first, last = (0, ADDRESS_SPACE) if span is None else (span.start, span.start + span.size)
        starts = self._starts
        for start in starts[max(0, bisect_right(starts, first) - 1) : bisect_left(starts, last)]:
            chunk = self._chunks[start]
            begin, end = max(start, first), min(start + len(chunk), last)
            if begin < end:
                yield begin, memoryview(chunk)[begin - start : end - start].toreadonly()

    def read(self, span: Span, fill: int | None) -> bytes:
        """Return the bytes of ``span``, with the byte ``fill`` (0 to 255) wherever nothing is held.

        Raises ValueError for a span outside the address space and, when ``fill`` is None, for the
        first address that is not held.
        """
        _refuse_outside(span.start, span.size)
        index = bisect_right(self._starts, span.start) - 1
        if index >= 0:  # most often all is in one chunk
            start = self._starts[index]
            if span.start + span.size <= start + len(self._chunks[start]):
                return bytes(memoryview(self._chunks[start])[span.start - start : span.end - start])
        result = bytearray(span.size) if not fill else bytearray((fill,)) * span.size
        position = span.start
        for address, piece in self.pieces(span):
            if fill is None and address != position:
                break
            result[address - span.start : address - span.start + len(piece)] = piece
            position = address + len(piece)
        if fill is None and position != span.end:
            raise ValueError(f"nothing is held at {format_address(position)}")
        return bytes(result)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, SparseBytes):
            return NotImplemented
        return self.spans() == other.spans() and all(
            other.read(Span(address, len(piece)), None) == piece for address, piece in self.pieces()
        )

    def __repr__(self) -> str:
        return f"SparseBytes({', '.join(map(str, self.spans()))})"

    # -- changing ----------------------------------------------------------------------------------

    def write(self, address: int, data: Octets) -> None:
        """Put ``data`` at ``address``, over whatever is held there.

        Raises ValueError, and changes nothing, when part of it would be outside 0..2**32 - 1.
        """
        size = len(data)
        _refuse_outside(address, size)
        if not size:
            return
        index = bisect_right(self._starts, address) - 1
        if index >= 0:
            start = self._starts[index]
            chunk = self._chunks[start]
            offset = address - start
            if offset + size <= len(chunk):
                chunk[offset : offset + size] = data
                return
            if offset > len(chunk) and start == self._starts[-1]:  # after all that is held
                self._starts.append(address)
                self._chunks[address] = bytearray(data)
                return
        self.erase(Span(address, size))
        index = bisect_left(self._starts, address)
        if index and self._touch(index - 1, address):
            index -= 1
            self._grow(self._starts[index], data)
        else:
            self._starts.insert(index, address)
            self._chunks[address] = bytearray(data)
            if index:
                self._merge_with_next(index - 1)
                index = bisect_right(self._starts, address) - 1
        self._merge_with_next(index)

    def add(self, address: int, data: Octets) -> list[Conflict]:
        """Put ``data`` at ``address`` unless a byte held there differs.

        Returns an empty list after writing.  Otherwise nothing is changed, and the first differing
        address of each held run that overlaps ``data`` is returned, ascending.  Raises ValueError
        when part of it would be outside 0..2**32 - 1.
        """
        _refuse_outside(address, len(data))
        conflicts = self._conflicts(address, memoryview(data))
        if not conflicts:
            self.write(address, data)
        return conflicts

    def erase(self, span: Span) -> None:
        """Forget every byte held in ``span``; any span may be named."""
        index = max(0, bisect_right(self._starts, span.start) - 1)
        while index < len(self._starts) and self._starts[index] < span.end:
            start = self._starts[index]
            chunk = self._chunks[start]
            hole = Span(start, len(chunk)).intersection(span)
            if not hole.size:
                index += 1
                continue
            head, tail = hole.start - start, hole.end - start
            has_tail = tail < len(chunk)
            if head == 0:
                del self._starts[index], self._chunks[start]
            if has_tail:
                self._starts.insert(index + (head > 0), hole.end)
                self._chunks[hole.end] = chunk[tail:] if head else _shortened(chunk, 0, tail)
            if head:
                self._chunks[start] = _shortened(chunk, head, len(chunk))
            index += (head > 0) + has_tail

    def copy(self) -> SparseBytes:
        """Return an independent image with the same bytes."""
        twin = SparseBytes()
        twin._starts = self._starts.copy()
        twin._chunks = {start: chunk.copy() for start, chunk in self._chunks.items()}
        return twin

    # -- chunks ------------------------------------------------------------------------------------

    def _conflicts(self, address: int, data: memoryview) -> list[Conflict]:
        """Return the first differing address of each held run under ``data``.

        Apart from ``add`` so that no view of a chunk is alive when that writes.
        """
        conflicts: list[Conflict] = []
        run_end, run_differs = -1, False
        for start, held in self.pieces(Span(address, len(data))):
            run_differs = run_differs and start == run_end
            run_end = start + len(held)
            if run_differs:
                continue
            new = data[start - address : run_end - address]
            offset = first_difference(held, new)
            if offset is not None:
                run_differs = True
                conflicts.append(Conflict(start + offset, held[offset], new[offset]))
        return conflicts

    def _touch(self, index: int, address: int) -> bool:
        """Whether the chunk at ``index`` ends where ``address`` is."""
        start = self._starts[index]
        return start + len(self._chunks[start]) == address

    def _grow(self, start: int, data: Octets) -> None:
        chunk = self._chunks[start]
        try:
            chunk += data
        except BufferError:  # somebody still holds one of its pieces: leave them the old bytes
            self._chunks[start] = chunk + data

    def _merge_with_next(self, index: int) -> None:
        """Join the chunk at ``index`` with its right neighbour if they touch and it is cheap."""
        if index + 1 >= len(self._starts) or not self._touch(index, self._starts[index + 1]):
            return
        start, neighbour = self._starts[index], self._starts[index + 1]
        if len(self._chunks[neighbour]) <= max(MAX_MERGED, len(self._chunks[start])):
            self._grow(start, self._chunks.pop(neighbour))
            del self._starts[index + 1]


def places_in(pieces: Iterable[tuple[int, memoryview]], wanted: bytes) -> Iterator[int]:
    """Each address at which ``wanted``, of 2 bytes or more, is in ``pieces`` of (address, bytes), ascending.

    It may be across two pieces that touch; they are looked through by ``WINDOW`` bytes at a time.
    """
    tail, end = b"", -1
    for address, view in pieces:
        tail = tail if end == address else b""
        for offset in range(0, len(view), WINDOW):
            data = tail + bytes(view[offset : offset + WINDOW])
            start = address + offset - len(tail)
            yield from (start + at for at in offsets_of(wanted, data))
            tail = data[1 - len(wanted) :]
        end = address + len(view)


def first_difference(left: Octets, right: Octets) -> int | None:
    """Index of the first byte in which two equally long runs differ, or None if they are equal."""
    ours, theirs = bytes(left), bytes(right)  # two views are compared item by item, 100 times slower
    if ours == theirs:
        return None
    difference = int.from_bytes(ours, "big") ^ int.from_bytes(theirs, "big")
    return len(ours) - (difference.bit_length() + 7) // 8


def _shortened(chunk: bytearray, start: int, end: int) -> bytearray:
    """``chunk`` without ``start..end``: itself, cut at one end at constant cost, if nobody views it."""
    try:
        del chunk[start:end]
    except BufferError:
        return chunk[:start] + chunk[end:]
    return chunk


def _refuse_outside(address: int, size: int) -> None:
    """Raise ValueError unless ``size`` bytes at ``address`` are in the 32-bit address space."""
    if address < 0 or size < 0 or address + size > ADDRESS_SPACE:
        where = f"{size} bytes at {address:#x}"
        raise ValueError(f"{where} are outside the 32-bit address space")
