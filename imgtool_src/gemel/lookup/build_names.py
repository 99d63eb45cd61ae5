"""What one build calls its addresses: section, symbol, source line."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cached_property
from operator import itemgetter
from typing import TYPE_CHECKING, TypeVar

from gemel.builds.build import Build
from gemel.span_index import SpanIndex, Stretches
from gemel.spans import Span
from gemel.structs import NamedTuple
from gemel.text.demangled import MAX_TEXT_IN_ALL, demangled

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_entries import Symbol

NAMED_KINDS = ("function", "object", "notype", "common")
"""The kinds of symbols that stand for a place; sections, files and thread-local ones do not."""


class NameAt(NamedTuple):
    """What a build has at a run address; empty texts and size 0 where nothing shows."""

    address: int
    section: str
    symbol: str
    offset: int
    size: int
    source: str


class _Named(NamedTuple):
    """What is the same over a stretch of addresses: a symbol that starts at ``start``, by the ``bits`` that count."""

    section: str
    symbol: str
    start: int
    size: int
    bits: int
    line_at: Callable[[int], str] | None


def name_text(symbol: str, offset: int, source: str) -> str:
    """``name + 12, file.c:34``: a symbol as it is spelled, with what is known besides."""
    name = f"{symbol} + {offset}" if offset else symbol
    return f"{name}, {source}" if source else name


T = TypeVar("T")


def index_of(pairs: Iterable[tuple[Span, T]]) -> SpanIndex[T]:
    """An index of spans with values; of several that start at one address the first one counts."""
    entries = [(span.start, span.end, value) for span, value in pairs]
    entries.reverse()
    return SpanIndex(sorted(entries, key=itemgetter(0)))


class BuildNames:
    """The names of one build's run addresses; nothing is read before the first question."""

    def __init__(self, build: Build) -> None:
        self._build = build

    def at(self, address: int) -> NameAt | None:
        """What is at ``address``; None where the build takes no memory there."""
        if (named := self._stretches.at(address)) is None:
            return None
        section, symbol, start, size, bits, line_at = named
        source = line_at(address) if line_at else ""
        return NameAt(address, section, symbol, (address & bits) - start, size, source)

    def text_at(self, address: int, spelled: Mapping[str, str]) -> str:
        """The `name_text` of ``address``, the symbol as ``spelled``; empty where the build has no symbol there."""
        named = self._stretches.at(address)
        if named is None or not named[1]:
            return ""
        _, symbol, start, _, bits, line_at = named
        return name_text(spelled[symbol], (address & bits) - start, line_at(address) if line_at else "")

    def named(self, name: str) -> tuple[Symbol, ...]:
        """The definitions of ``name``, mangled or as its source spells it, that stand for a place or a plain number."""
        symbols = self._build.symbols.named(name) if self._build.symbols else ()
        if not symbols and "::" in name and self._build.symbols:
            symbols = tuple(_spelled_so(name, self._build.symbols.all()))
        return tuple(each for each in symbols if each.defined and each.kind in NAMED_KINDS)

    def near(self, name: str) -> list[str]:
        """Up to three names like ``name``."""
        return self._build.symbols.near_names(name) if self._build.symbols else []

    @cached_property
    def _sections(self) -> SpanIndex[str]:
        sections = self._build.all_sections
        return index_of((each.span, each.name) for each in sections if each.allocated)

    @cached_property
    def _segments(self) -> SpanIndex[bool]:
        return index_of((each.run_span, True) for each in self._build.segments)

    def any_in(self, start: int, end: int) -> bool:
        """Whether the build takes memory anywhere from ``start`` to ``end``."""
        return any(
            index.at(start) or bisect_left(index.edges, start) < bisect_left(index.edges, end)
            for index in (self._sections, self._segments)
        )

    def section(self, address: int) -> str:
        """The allocated section at ``address``; empty where there is none or the file has no sections."""
        return self._sections.at(address) or ""

    def source(self, address: int) -> str:
        """``file:line``; empty where no line program covers ``address``."""
        return self._build.debug.line_at(address) if self._build.debug else ""

    @cached_property
    def _stretches(self) -> Stretches[_Named | None]:
        edges = [*self._sections.edges, *self._segments.edges]
        edges += self._build.symbols.place_edges() if self._build.symbols else []
        return Stretches(edges, self._named_from)

    def _named_from(self, address: int, _: int) -> _Named | None:
        section, symbols, debug = self.section(address), self._build.symbols, self._build.debug
        if not section and not self._segments.at(address):
            return None
        line_at = debug.line_at if debug else None
        if symbols and (found := symbols.object_at(address)):
            symbol, offset = found
            return _Named(section, symbol.name, address - offset, symbol.size, -1, None)
        if symbols and (found := symbols.function_at(address)):
            symbol, offset = found
            return _Named(section, symbol.name, (address & ~1) - offset, symbol.size, ~1, line_at)
        return _Named(section, "", 0, 0, 0, line_at)


def _spelled_so(name: str, symbols: Iterable[Symbol]) -> Iterator[Symbol]:
    """The symbols that their source spells as ``name``, with or without parameters; MAX_TEXT_IN_ALL are looked at.

    A mangled name has the words of the one in the source in it, but those that have an abbreviation.
    """
    words, left = re.findall(r"\w+", name), MAX_TEXT_IN_ALL
    for symbol in symbols:
        if symbol.name.startswith("_Z") and any(word in symbol.name for word in words):
            left -= len(symbol.name)
            text = demangled(symbol.name) if left >= 0 else symbol.name
            rest = text.removeprefix(name).replace("(anonymous namespace)", "")
            if text.startswith(name) and (not rest or (rest[0] == "(" and ")::" not in rest)):
                yield symbol
