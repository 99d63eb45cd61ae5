"""Which memory a span falls into as one observer sees it, cut where memories begin and end."""

from __future__ import annotations

from collections.abc import Sequence

from gemel.layout.addresses import starts_of
from gemel.layout.model import Layout, Memory
from gemel.spans import Span
from gemel.structs import NamedTuple


class Window(NamedTuple):
    """One place at which an observer sees a whole memory."""

    seen: Span
    memory: Memory


class Part(NamedTuple):
    """A piece of a span that is in one memory, or in none (``memory`` None, ``plain`` as ``seen``)."""

    seen: Span
    memory: Memory | None
    plain: Span


def windows_of(layout: Layout, core: str | None = None) -> list[Window]:
    """Every window of ``core`` (None: the programmer), by address; no two of them overlap."""
    windows = [
        Window(Span(start, memory.size), memory)
        for memory in layout.memories.values()
        for start in starts_of(memory, core)
    ]
    return sorted(windows, key=lambda window: window.seen)


def parts_of(span: Span, windows: Sequence[Window]) -> list[Part]:
    """``span`` (as the observer of ``windows`` sees it) cut into parts by memory, in order."""
    parts: list[Part] = []
    position = span.start
    for seen, memory in windows:
        common = seen.intersection(Span.from_bounds(position, span.end))
        if not common.size:
            continue
        if common.start > position:
            parts.append(_outside(Span.from_bounds(position, common.start)))
        parts.append(Part(common, memory, common.moved(memory.start - seen.start)))
        position = common.end
    if position < span.end:
        parts.append(_outside(Span.from_bounds(position, span.end)))
    return parts


def _outside(span: Span) -> Part:
    return Part(span, None, span)
