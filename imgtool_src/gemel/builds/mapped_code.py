"""The code of a build as its mapping symbols distinguish it from data (AAELF32, "Mapping symbols").

``$t`` begins Thumb code, ``$a`` Arm code, ``$d`` data, each up to the next one of its section.  An input section
of data that a linker script puts between code may have none (clang 14 leaves it out of sections of constants and
before ``.incbin``): what an object takes there, and what follows a function of known size up to the next
mapping symbol or function, is data.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from itertools import accumulate

from gemel.builds.build import Build
from gemel.spans import Span
from gemel.structs import NamedTuple

Mark = tuple[int, str]
"""Where a mapping symbol stands, and its name."""

Extent = tuple[int, int]
"""Address and size of a function or an object."""

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
    marks, (functions, objects) = build.symbols.marks, build.symbols.extents
    sections, unmapped = [], []
    left = MAX_OF_BUILD * build.stored_size
    for index, span in build.symbols.code_sections.items():
        if not span.size or build.load_address_of(span.start, span.size) is None:
            continue
        left -= span.size
        if index in marks and left >= 0:
            data = build.read_at_run(span.start, span.size) or b""
            known = functions.get(index, []), objects.get(index, [])
            sections.append(_mapped(span, data, marks[index], *known))
        else:
            unmapped.append(span)
    return MappedCode(tuple(sections), tuple(unmapped))


def _mapped(
    section: Span, data: bytes, marks: list[Mark], functions: list[Extent], objects: list[Extent]
) -> MappedSection:
    base, end = section.start, section.end
    places = [at for at, _ in marks]
    before, inside = bisect_left(places, base), bisect_right(places, end)
    places = [base] * before + places[before:inside] + [end] * (len(places) - inside)
    stretches = list(zip(places, [*places[1:], end], [name for _, name in marks], strict=True))
    code = bytearray(data)
    code[: places[0] - base] = bytes(places[0] - base)
    size, arm = 0, []
    for first, last, name in stretches:
        if name == "$t":
            size += last - first
        elif first < last:
            code[first - base : last - base] = bytes(last - first)
            if name == "$a":
                arm.append(Span(first, last - first))
    for first, last in _unmarked_data(section, marks, functions, objects):
        code[first - base : last - base] = bytes(last - first)
    for first, last, name in stretches if b"\xff\xff" in code else ():
        if name == "$t" and first < last and code[last - base - 1] == 0xFF:
            filled = _fill_at_end(bytes(code[first - base : last - base]))
            code[last - base - filled : last - base] = bytes(filled)
            size -= filled
    return MappedSection(base, bytes(code), size, tuple(arm))


def _unmarked_data(
    section: Span, marks: list[Mark], functions: list[Extent], objects: list[Extent]
) -> Iterator[tuple[int, int]]:
    """Objects, and what is between the end of a function and the next function or mapping symbol: start and end."""
    unmarked: list[tuple[int, int]] = []
    first = last = section.start
    for start, size in objects:
        if start > last:
            unmarked.append((first, last))
            first = last = start
        last = max(last, start + size)
    unmarked.append((first, last))
    places = [at for at, _ in marks]
    starts = [*(start for start, _ in functions), section.end]
    for start, end, begun in zip(starts, accumulate(map(sum, functions), max), starts[1:], strict=False):
        if start < end < begun:  # one without a size goes on up to the next
            at = bisect_left(places, end)
            unmarked.append((end, min((begun, *places[at : at + 1]))))
    for start, end in unmarked:
        start, end = max(start, section.start), min(end, section.end)
        if start < end:
            yield start, end


def _fill_at_end(code: bytes) -> int:
    """How many bytes at the end are the erased halfwords with which linkers fill up sections."""
    return (len(code) - len(code.rstrip(b"\xff"))) & ~1
