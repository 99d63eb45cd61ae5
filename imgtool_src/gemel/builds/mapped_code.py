"""The code of a build as its mapping symbols distinguish it from data (AAELF32, "Mapping symbols").

``$t`` begins Thumb code, ``$a`` Arm code, ``$d`` data, each up to the next one of its section.  An input section
of data that a linker script puts between code may have none (clang 14 leaves it out of sections of constants and
before ``.incbin``): what an object takes there, and what follows a function of known size up to the next
mapping symbol or function, is data.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.spans import Span
from gemel.structs import NamedTuple

Mark = tuple[int, str]
"""Where a mapping symbol stands, and its name."""

MAX_OF_BUILD = 2
"""Sections that are over each other are read until this many times the build's bytes are."""


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
    marks, extents = build.symbols.marks, build.symbols.extents()
    sections, unmapped = [], []
    left = MAX_OF_BUILD * build.stored_size
    for index, span in build.symbols.code_sections.items():
        if not span.size or not _is_stored(build, span):
            continue
        left -= span.size
        if index in marks and left >= 0:
            data = bytearray(build.read_at_run(span.start, span.size) or b"")
            for start, end in _unmarked_data(span, marks[index], extents.get(index, [])):
                data[start - span.start : end - span.start] = bytes(end - start)
            sections.append(_mapped(span, bytes(data), marks[index]))
        else:
            unmapped.append(span)
    return MappedCode(tuple(sections), tuple(unmapped))


def _is_stored(build: Build, span: Span) -> bool:
    return any(Span(each.run_address, len(each.data)).covers(span) for each in build.stored)


def _unmarked_data(
    section: Span, marks: list[Mark], extents: list[tuple[int, int, bool]]
) -> Iterator[tuple[int, int]]:
    """Objects, and what is between the end of a function and the next function or mapping symbol: start and end."""
    begun = {at for at, _ in marks}.union([start for start, _, is_function in extents if is_function])
    begun.add(section.end)
    starts = sorted(begun)
    reach = 0
    for start, size, is_function in extents:
        end = start + size
        if is_function:
            reach = end if end > reach else reach
            if not size or reach in begun:
                continue
            at = bisect_left(starts, reach)
            start, end = reach, starts[at] if at < len(starts) else section.end
        start, end = max(start, section.start), min(end, section.end)
        if start < end:
            yield start, end


def _fill_behind(code: bytes) -> int:
    """How many bytes at the end are the erased halfwords with which linkers fill up sections."""
    return (len(code) - len(code.rstrip(b"\xff"))) & ~1


def _mapped(span: Span, data: bytes, marks: list[Mark]) -> MappedSection:
    code = bytearray(data)
    arm: list[Span] = []
    end = max(min(marks[0][0], span.end), span.start)
    code[: end - span.start] = bytes(end - span.start)
    size, base, whole = 0, span.start, span.size
    ends = [at - base for at, _ in marks[1:]]
    for (at, name), last in zip(marks, [*ends, whole], strict=True):
        first = at - base
        if first < 0:
            first = 0
        if last > whole:
            last = whole
        if first >= last:
            continue
        if name[1] == "t":
            if data[last - 1] == 0xFF:
                filled = _fill_behind(data[first:last])
                code[last - filled : last] = bytes(filled)
                last -= filled
            size += last - first
            continue
        code[first:last] = bytes(last - first)
        if name[1] == "a":
            arm.append(Span(base + first, last - first))
    return MappedSection(span.start, bytes(code), size, tuple(arm))
