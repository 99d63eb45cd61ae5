"""The sections of an ELF file by name, read when the first one is needed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.builds.elf.sections import SectionHeader
from gemel.span_index import SpanIndex
from gemel.spans import ADDRESS_SPACE, Span, merge
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

MAX_NAMES = 1 << 20
"""Bytes of section names that are read at most."""

MAX_NAME = 256
"""Names are cut at this many bytes."""

_WITHOUT_BYTES = 8
_WRITABLE, _ALLOCATED, _EXECUTABLE = 1, 2, 4


class Section(NamedTuple):
    """One section (gABI, "Section Header").

    ``span`` is where it is at run time, as the core sees it.  ``allocated`` says that the program
    takes that memory; a section that is not allocated may still state a size, as linker scripts do for
    heap and stack.  ``stored`` says that the file has bytes for it, ``offset`` where they stand;
    ``alignment`` is what its address is a multiple of, 0 or 1 where of anything.
    """

    number: int
    name: str
    span: Span
    allocated: bool
    writable: bool
    executable: bool
    stored: bool
    offset: int
    alignment: int


class SectionTable:
    """The sections of one file; nothing is read before the first question.

    Every method raises BuildError if the file became shorter meanwhile.
    """

    __slots__ = ("_code", "_headers", "_loaded", "_names_at", "_source")

    def __init__(
        self, source: ByteSource, headers: tuple[SectionHeader, ...], names_at: tuple[int, int]
    ) -> None:
        """``names_at`` is (offset, size) of the names inside the file, checked by the caller."""
        self._source = source
        self._headers = headers
        self._names_at = names_at
        self._loaded: tuple[Section, ...] | None = None
        self._code: tuple[SpanIndex[bool], int] | None = None

    def all(self) -> tuple[Section, ...]:
        """Every section in the order of the file, the empty first one left out."""
        if self._loaded is None:
            names = self._source.read(*self._names_at)
            self._loaded = tuple(
                _section(number, header, names) for number, header in enumerate(self._headers) if number
            )
        return self._loaded

    def code(self) -> tuple[SpanIndex[bool], int]:
        """Where code runs that the file has bytes for, and the sizes of its sections together."""
        if self._code is None:
            spans = [each.span for each in self.all() if each.stored and each.executable]
            index = SpanIndex((span.start, span.end, True) for span in merge(spans))
            self._code = index, sum(span.size for span in spans)
        return self._code

    def name_of(self, number: int) -> str:
        """The name of one section; empty if there is no such section."""
        return self.all()[number - 1].name if 0 < number < len(self._headers) else ""

    def named(self, name: str) -> tuple[Section, ...]:
        """The sections of exactly that name."""
        return tuple(section for section in self.all() if section.name == name)


def _section(number: int, header: SectionHeader, names: bytes) -> Section:
    end = names.find(b"\0", header.name, header.name + MAX_NAME)
    template = header.thread_local and header.type == _WITHOUT_BYTES  # takes no memory where it is linked
    name = names[header.name : header.name + MAX_NAME if end < 0 else end]
    return Section(
        number,
        name.decode("utf-8", "replace"),
        Span(header.address, min(header.size, ADDRESS_SPACE - header.address)),
        bool(header.flags & _ALLOCATED) and not template,
        bool(header.flags & _WRITABLE),
        bool(header.flags & _EXECUTABLE),
        header.type != _WITHOUT_BYTES,
        header.offset,
        header.alignment,
    )
