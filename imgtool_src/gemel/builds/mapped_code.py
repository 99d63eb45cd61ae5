"""The code of a build as its mapping symbols tell it from data (AAELF32, "Mapping symbols").

``$t`` begins Thumb code, ``$a`` Arm code, ``$d`` data, each up to the next one of its section.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.elf.symbols import Symbol

MAX_OF_BUILD = 2
"""Sections that lie over each other are read until this many times the build's bytes are."""


class MappedSection(NamedTuple):
    """One section of code as its core runs it.

    ``code`` holds its bytes with zeros (a harmless instruction) where data, fill or Arm code stands; ``size``
    is how many bytes are Thumb code, ``arm`` where Arm code stands.
    """

    start: int
    code: bytes
    size: int
    arm: tuple[Span, ...]


class MappedCode(NamedTuple):
    """The sections of code of one build.

    ``unmapped`` are those without a mapping symbol, and those beyond ``MAX_OF_BUILD``.
    """

    sections: tuple[MappedSection, ...]
    unmapped: tuple[Span, ...]


def mapped_code(build: Build) -> MappedCode | None:
    """The code of ``build`` by its mapping symbols; None if it has no symbols.

    Sections whose bytes the build does not store are left out.
    """
    if build.symbols is None:
        return None
    marks: dict[int, list[Symbol]] = {}
    for symbol in build.symbols.mapping():
        marks.setdefault(symbol.section_index, []).append(symbol)
    sections, unmapped = [], []
    left = MAX_OF_BUILD * build.stored_size
    for index, span in build.symbols.code_sections.items():
        if not span.size or not _is_stored(build, span):
            continue
        left -= span.size
        if index in marks and left >= 0:
            sections.append(_mapped(span, build.read_at_run(span.start, span.size) or b"", marks[index]))
        else:
            unmapped.append(span)
    return MappedCode(tuple(sections), tuple(unmapped))


def _is_stored(build: Build, span: Span) -> bool:
    return any(Span(each.run_address, len(each.data)).covers(span) for each in build.stored)


def _fill_behind(code: bytes) -> int:
    """How many bytes at the end are the erased halfwords with which linkers fill up sections."""
    return (len(code) - len(code.rstrip(b"\xff"))) & ~1


def _mapped(span: Span, data: bytes, marks: list[Symbol]) -> MappedSection:
    code = bytearray(data)
    arm: list[Span] = []
    end = max(min(marks[0].value, span.end), span.start)
    code[: end - span.start] = bytes(end - span.start)
    size = 0
    for number, mark in enumerate(marks):
        following = marks[number + 1].value if number + 1 < len(marks) else span.end
        stretch = Span.from_bounds(mark.value, max(mark.value, following)).intersection(span)
        first = stretch.start - span.start
        if mark.name.startswith("$t"):
            filled = _fill_behind(data[first : first + stretch.size])
            code[first + stretch.size - filled : first + stretch.size] = bytes(filled)
            size += stretch.size - filled
            continue
        code[first : first + stretch.size] = bytes(stretch.size)
        if mark.name.startswith("$a") and stretch.size:
            arm.append(stretch)
    return MappedSection(span.start, bytes(code), size, tuple(arm))
