"""A core's view of the device in the emulator's pages: which runs of pages to map with which rights."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

from gemel.rehearsal.plan import PAGE, Closed, CorePlan, MemoryView
from gemel.spans import Span, align_down, align_up, merge
from gemel.structs import NamedTuple


class PageRun(NamedTuple):
    """Pages of one window that have the same rights; ``offset`` is into the memory, from its first page."""

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
