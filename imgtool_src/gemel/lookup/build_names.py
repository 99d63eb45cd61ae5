"""What one build calls its addresses: section, symbol, source line."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import cached_property
from typing import TYPE_CHECKING

from gemel.lookup.span_index import SpanIndex
from gemel.structs import NamedTuple
from gemel.text.demangled import LONGEST_TOGETHER, demangled

if TYPE_CHECKING:
    from gemel.builds.build import Build
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


class BuildNames:
    """The names of one build's run addresses; nothing is read before the first question."""

    def __init__(self, build: Build) -> None:
        self._build = build

    def at(self, address: int) -> NameAt | None:
        """What is at ``address``; None where the build takes no memory there."""
        section = self.section(address)
        if not section and not self._segments.at(address):
            return None
        found = self._symbol_at(address)
        if found is None:
            return NameAt(address, section, "", 0, 0, self.source(address))
        symbol, offset = found
        source = self.source(address) if symbol.kind != "object" else ""
        return NameAt(address, section, symbol.name, offset, symbol.size, source)

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
        sections = self._build.sections.all() if self._build.sections else ()
        return SpanIndex((each.span, each.name) for each in sections if each.allocated)

    @cached_property
    def _segments(self) -> SpanIndex[bool]:
        return SpanIndex((each.run_span, True) for each in self._build.segments)

    def section(self, address: int) -> str:
        """The allocated section at ``address``; empty where there is none or the file has no sections."""
        return self._sections.at(address) or ""

    def source(self, address: int) -> str:
        """``file:line``; empty where no line program covers ``address``."""
        return self._build.debug.line_at(address) if self._build.debug else ""

    def _symbol_at(self, address: int) -> tuple[Symbol, int] | None:
        symbols = self._build.symbols
        if symbols is None:
            return None
        return symbols.object_at(address) or symbols.function_at(address)


def _spelled_so(name: str, symbols: Iterable[Symbol]) -> Iterator[Symbol]:
    """The symbols that their source spells as ``name``, with or without parameters; LONGEST_TOGETHER are looked at.

    A mangled name has the words of the one in the source in it, but those that have an abbreviation.
    """
    words, left = re.findall(r"\w+", name), LONGEST_TOGETHER
    for symbol in symbols:
        if symbol.name.startswith("_Z") and any(word in symbol.name for word in words):
            left -= len(symbol.name)
            text = demangled(symbol.name) if left >= 0 else symbol.name
            if name in (text, text.partition("(")[0]):
                yield symbol
