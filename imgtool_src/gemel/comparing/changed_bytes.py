"""Which bytes, areas and erase blocks of two images differ; unwritten bytes count as erased."""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterator

from gemel.comparing.changes import AreaChange, BlockChange
from gemel.image.sparse import SparseBytes
from gemel.layout.model import Layout
from gemel.spans import Address, Span, align_down, merge, without

STEP = 4096
"""Bytes compared at once, and the blocks that stand for erase blocks where none are stated."""

_NOT_ZERO = re.compile(rb"[^\0]+")
ERASED = 0xFF
"""What an unwritten byte counts as where no layout says what it reads."""


class ChangedBytes:
    """The bytes that differ, found once: by steps of the same size, then by byte inside of these."""

    def __init__(self, layout: Layout | None, old: SparseBytes, new: SparseBytes) -> None:
        self._layout, self._old, self._new = layout, old, new
        self._memories = [
            (memory.name, memory.span, memory.erased_byte, memory.erase_block)
            for memory in sorted(layout.memories.values() if layout else (), key=lambda memory: memory.start)
            if memory.holds_image
        ]
        held = merge([*old.spans(), *new.spans()])
        self.outside = without(held, [span for _, span, _, _ in self._memories])
        self.spans: tuple[Span, ...] = tuple(self._differing(held))

    def inside(self, span: Span) -> list[Span]:
        """The differing runs of ``span``, by address."""
        first = bisect_right(self.spans, span.start, key=lambda each: each.end)
        after = bisect_left(self.spans, span.end, key=lambda each: each.start)
        found = list(self.spans[first:after])
        for end in (0, -1) if found else ():
            found[end] = span.intersection(found[end])
        return found

    def memories(self) -> Iterator[BlockChange]:
        """Each memory that holds image bytes; without a layout the one stretch that both files hold."""
        for name, span, _, erase_block in self._memories:
            yield self._blocks(name, span, erase_block)
        for span in self.outside:
            if self.inside(span):
                yield self._blocks("", span, None)

    def areas(self) -> Iterator[AreaChange]:
        """The areas whose bytes differ, and what is outside all areas, by address."""
        layout = self._layout
        named = (
            []
            if layout is None
            else [(area.name, area.memory, layout.span_of(area.name)) for area in layout.areas.values()]
        )
        taken = [span for _, _, span in named]
        rest = [
            ("", memory, each) for memory, span, _, _ in self._memories for each in without([span], taken)
        ]
        rest += [("", "", span) for span in without(self.outside, taken)]
        for name, memory, span in sorted([*named, *rest], key=lambda each: each[2]):
            if inside := self.inside(span):
                first, last = Address(inside[0].start), Address(inside[-1].last)
                yield AreaChange(name, memory, span, sum(each.size for each in inside), first, last)

    def _blocks(self, name: str, span: Span, erase_block: int | None) -> BlockChange:
        unit = erase_block or STEP
        inside = self.inside(span)
        # Erase blocks are counted from the start of their memory.
        start = span.start if name else align_down(span.start, unit)
        numbers: list[list[int]] = []  # the first block of each run, and the one after its last
        for first, size in inside:
            own = [(first - start) // unit, (first + size - 1 - start) // unit + 1]
            if numbers and own[0] <= numbers[-1][1]:
                numbers[-1][1] = own[1]
            else:
                numbers.append(own)
        total = -(-(span.end - start) // unit)
        changed = sum(after - first for first, after in numbers)
        shown = tuple(
            Span.from_bounds(start + first * unit, min(start + after * unit, span.end))
            for first, after in numbers
        )
        size = sum(each.size for each in inside)
        return BlockChange(name, span, unit, erase_block is not None, changed, total, shown, size)

    def _differing(self, held: list[Span]) -> Iterator[Span]:
        pieces = [(span.intersection(each), erased) for _, span, erased, _ in self._memories for each in held]
        pieces += [(span, ERASED) for span in self.outside]
        found: list[Span] = []
        for span, erased in sorted(piece for piece in pieces if piece[0].size):
            for start in range(span.start, span.end, STEP):
                step = Span(start, min(STEP, span.end - start))
                one, other = self._old.read(step, erased), self._new.read(step, erased)
                if one != other:
                    found += _runs(start, one, other)
        yield from merge(found)


def _runs(start: int, one: bytes, other: bytes) -> Iterator[Span]:
    for run in _NOT_ZERO.finditer(exclusive_or(one, other)):
        yield Span(start + run.start(), run.end() - run.start())


def exclusive_or(one: bytes, other: bytes) -> bytes:
    """The bits that differ of two blocks of the same size."""
    return (int.from_bytes(one, "little") ^ int.from_bytes(other, "little")).to_bytes(len(one), "little")
