"""The memories of a device as pages of our own, and how a core has them mapped."""

from __future__ import annotations

import ctypes
import hashlib
import mmap
from collections.abc import Iterable, Iterator
from itertools import pairwise

from gemel.rehearsal.plan import PAGE, Closed, CorePlan, MemoryPlan, MemoryView
from gemel.spans import Span, align_down, align_up, merge
from gemel.structs import NamedTuple


class Backing:
    """One memory's bytes.  ``slack`` bytes are in front of them, so that pages begin where the cores' do."""

    def __init__(self, plan: MemoryPlan, slack: int) -> None:
        self.plan, self.slack = plan, slack
        self._bytes = mmap.mmap(-1, align_up(slack + plan.size, PAGE))
        self._place(0, plan.fill * (-(-plan.size // len(plan.fill))))
        for offset, piece in plan.pieces:
            self._place(offset, piece)
        self._anchor = ctypes.c_char.from_buffer(self._bytes)
        self.address = ctypes.addressof(self._anchor)
        self.written: bytearray | None = None

    def _place(self, offset: int, data: bytes) -> None:
        room = self.plan.size - offset
        start = self.slack + offset
        self._bytes[start : start + min(room, len(data))] = data[:room]

    def read(self, offset: int, size: int) -> bytes:
        """``size`` bytes from ``offset`` of the memory on; fewer at its end."""
        start = self.slack + offset
        return self._bytes[start : min(start + size, self.slack + self.plan.size)]

    def write(self, offset: int, data: bytes) -> None:
        """Write ``data`` at ``offset``, within the memory."""
        start = self.slack + offset
        self._bytes[start : start + len(data)] = data

    def word(self, offset: int) -> int:
        """The little-endian word at ``offset``."""
        return int.from_bytes(self.read(offset, 4), "little")

    def quick_digest(self) -> bytes:
        """A digest to distinguish two moments."""
        return hashlib.blake2b(self.read(0, self.plan.size), digest_size=16).digest()

    def touched(self, offset: int, size: int) -> int:
        """How many bytes of the range no longer hold the fill."""
        data, fill = self.read(offset, size), self._fill_from(offset, size)
        if data == fill:
            return 0
        changed = int.from_bytes(data, "little") ^ int.from_bytes(fill, "little")
        return len(data) - changed.to_bytes(len(data), "little").count(0)

    def untouched_below(self, lowest: int, start: int, gap: int) -> int:
        """Going down from offset ``start`` to ``lowest``: where ``gap`` bytes begin that hold the fill."""
        data, fill = self.read(lowest, start - lowest), self._fill_from(lowest, start - lowest)
        last = len(data)
        for at in range(len(data) - 1, -1, -1):
            if data[at] != fill[at]:
                last = at
            elif last - at >= gap:
                break
        return lowest + last

    def uniform_below(self, lowest: int, start: int, words: int) -> int:
        """Going down from offset ``start`` to ``lowest``: above where so many words in a row hold one value."""
        data = self.read(lowest, start - lowest)
        at = len(data) & ~3
        same, before = 0, b""
        while at >= 4:
            word = data[at - 4 : at]
            same = same + 1 if word == before else 1
            if same == words:
                return lowest + at - 4 + 4 * words
            before, at = word, at - 4
        return lowest

    def _fill_from(self, offset: int, size: int) -> bytes:
        fill = self.plan.fill
        size = len(self.read(offset, size))
        first = offset % len(fill)
        return (fill * (size // len(fill) + 2))[first : first + size]


class PageRun(NamedTuple):
    """Pages of one window that have the same permissions; ``offset`` is into the memory, from its first page."""

    span: Span
    memory: str
    offset: int
    writable: bool
    executable: bool


def whole_pages(span: Span) -> Span:
    """The pages that are wholly in ``span``."""
    return Span.from_bounds(align_up(span.start, PAGE), align_down(span.end, PAGE))


def touched_pages(span: Span) -> Span:
    """The pages that hold a byte of ``span``."""
    return Span.from_bounds(align_down(span.start, PAGE), align_up(span.end, PAGE))


def in_force(closed: Iterable[Closed], released: set[str]) -> list[Closed]:
    """Those closed spans that count now that the cores ``released`` run."""
    return [each for each in closed if not each.from_release_of or each.from_release_of in released]


def page_runs(
    core: CorePlan, ram: set[str], released: set[str], guard: Iterable[Span] = ()
) -> Iterator[PageRun]:
    """The runs to map for ``core``, by window and address.

    ``ram`` are the names of writable memories; writes to ``guard``, whole pages, are to be seen too.
    """
    shut = [*guard, *(whole_pages(each.span) for each in in_force(core.closed, released))]
    open_code = merge(touched_pages(span) for span in (*core.executable, *core.loadable))
    for window in core.windows:
        pages = touched_pages(window.span)
        edges = {pages.start, pages.end}
        for span in (*shut, *open_code):
            edges.update(edge for edge in (span.start, span.end) if pages.start < edge < pages.end)
        ordered = sorted(edges)
        for start, end in pairwise(ordered):
            writable = window.memory in ram and not any(span.holds(start) for span in shut)
            executable = any(span.holds(start) for span in open_code)
            yield PageRun(
                Span.from_bounds(start, end), window.memory, start - pages.start, writable, executable
            )


def partly_closed(core: CorePlan, released: set[str]) -> list[tuple[Span, Closed]]:
    """Parts of closed spans that share their page with what is open: these need a hook of their own."""
    parts = []
    for closed in in_force(core.closed, released):
        inner = whole_pages(closed.span)
        if not inner.size:
            parts.append((closed.span, closed))
            continue
        head = Span.from_bounds(closed.span.start, inner.start)
        tail = Span.from_bounds(inner.end, closed.span.end)
        parts += [(span, closed) for span in (head, tail) if span.size]
    return parts


def slack_of(window: MemoryView) -> list[Span]:
    """Addresses of the window's pages that are not its memory's."""
    pages = touched_pages(window.span)
    spans = [Span.from_bounds(pages.start, window.span.start), Span.from_bounds(window.span.end, pages.end)]
    return [span for span in spans if span.size]


def stack_guard(core: CorePlan) -> list[Span]:
    """The lowest whole page of the main stack, which is written before anything below its limit is."""
    return [Span(align_up(core.stack_limit, PAGE), PAGE)] if core.stack_limit else []


def device_pages(core: CorePlan) -> list[Span]:
    """The page runs that hold device registers for this core."""
    return merge(touched_pages(span) for span, _ in core.devices)
