"""What an address means: the memory it falls into, through aliases and through a core's own view.

The plain address of a byte is the one that the primary and the programmer use: ``memory.start`` plus
offset.  A memory's aliases show the same bytes to every core; a view shows them to one core, there
instead of at the plain address.
"""

from __future__ import annotations

from gemel.layout.model import AreaRange, Layout, Memory, SpanRange
from gemel.spans import Span
from gemel.structs import NamedTuple


class Located(NamedTuple):
    """A byte of the device: its memory and the offset in it."""

    memory: Memory
    offset: int

    @property
    def plain(self) -> int:
        """The byte's plain address."""
        return self.memory.start + self.offset


def stated_span(layout: Layout, item: str | AreaRange | SpanRange) -> Span:
    """The plain span of a range of a checksum that the layout alone shows."""
    if isinstance(item, SpanRange):
        return Span(item.start, item.size)
    if isinstance(item, AreaRange):
        area = layout.span_of(item.area)
        return Span(area.start + item.offset, item.size or area.size - item.offset)
    return layout.span_of(item)


def starts_of(memory: Memory, core: str | None) -> tuple[int, ...]:
    """Where ``core`` (None: the programmer) sees the start of ``memory``; its main address first."""
    main = memory.views.get(core, memory.start) if core else memory.start
    return (main, *memory.aliases)


def locate(layout: Layout, address: int, core: str | None = None) -> Located | None:
    """Where ``address`` falls as ``core`` sees it (None: as the programmer does); None for no memory."""
    for memory in layout.memories.values():
        main = memory.views.get(core, memory.start) if core else memory.start
        if main <= address < main + memory.size:
            return Located(memory, address - main)
        for start in memory.aliases:
            if start <= address < start + memory.size:
                return Located(memory, address - start)
    return None


def plain_span(layout: Layout, span: Span, core: str | None = None) -> Span | None:
    """``span`` in plain addresses; None when its first byte is in no memory.

    A span that runs over the end of its memory keeps its size, so that the overrun stays visible.
    """
    located = locate(layout, span.start, core)
    return Span(located.plain, span.size) if located else None


def seen_by(layout: Layout, address: int, core: str) -> int:
    """The address under which ``core`` sees the byte at plain ``address``; unchanged outside memories."""
    located = locate(layout, address)
    if located is None:
        return address
    return starts_of(located.memory, core)[0] + located.offset
