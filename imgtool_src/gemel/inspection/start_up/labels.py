"""Blocks that start-up code copies or clears by labels or tables of names that are not among the usual ones.

A section counts as copied where a label stands at its start and another at its end and code holds both its run
address and the address it is stored at, or where the file stores an entry of a table for it: those two addresses
side by side, followed by its size or end.  It counts as cleared where labels named for a start and an end stand
there, and code holds both.  Labels alone say nothing: a linker script has them whether code uses them or not.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import product
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.inspection.code.address_users import holds, one_holds
from gemel.inspection.ram.unstored import KEPT, named_as
from gemel.inspection.start_up.names import block_of
from gemel.spans import Span, align_up, offsets_of
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section

ROUNDING = 8
"""Bytes up to a multiple of which the end of a block may be rounded up: code copies words or pairs of words."""

_END_WORDS = ("end", "limit", "stop", "top")
"""What names of labels at the end of a block have in them (common practice); others begin as ``_edata`` does."""


class LabelledBlock(NamedTuple):
    """A copied or cleared block: where it is stored (None: cleared), its run addresses, and what shows it."""

    source: int | None
    span: Span
    shown_by: str


def copied_by_labels(build: Build, known: list[Span], *, tables: bool) -> Iterator[LabelledBlock]:
    """The sections stored for other run addresses, none in ``known``, that code of the build copies.

    ``tables``: words that could be an entry of a table count too, since no symbols say where its tables are.
    """
    left = [each for each in _sections(build, known) if each.stored and not is_most_code(build, each)]
    while left:
        section = left.pop(0)
        source = build.load_address_of(section.span.start, section.span.size)
        if source is None or source == section.span.start:
            continue
        if tables and (words := _table_entry(build, source, section.span)):
            yield LabelledBlock(source, section.span, words)
            continue
        start = next(_labels(build, Span(section.span.start, 1)), None)
        last = section
        while start and source is not None:
            rounded = Span(last.span.end, align_up(last.span.end, ROUNDING) - last.span.end + 1)
            if (end := next(_labels(build, rounded), None)) and one_holds(build, source, section.span.start):
                if _ends_before(build, Span(section.span.start + 1, last.span.end - section.span.start - 1)):
                    break
                span = Span.from_bounds(section.span.start, max(last.span.end, end[1]))
                yield LabelledBlock(source, span, f"labels {start[0]} and {end[0]}")
                break
            if (
                not left
                or build.load_address_of(left[0].span.start, left[0].span.size)
                != source + left[0].span.start - section.span.start
            ):
                break
            last = left.pop(0)


def cleared_by_labels(build: Build, known: list[Span]) -> Iterator[LabelledBlock]:
    """The sections without bytes in the file, none in ``known``, that code of the build clears.

    Code holds both ends of a heap or of what keeps its content, too.
    """
    for section in _sections(build, known):
        rounded = Span(section.span.end, align_up(section.span.end, ROUNDING) - section.span.end + 1)
        inside = Span(section.span.start + 1, section.span.size - 1)
        if (
            section.stored
            or not section.writable
            or named_as(KEPT, section.name)
            or _ends_before(build, inside)
        ):
            continue
        for start, end in product(_labels(build, Span(section.span.start, 1)), _labels(build, rounded)):
            if (
                is_end(end[0])
                and not is_end(start[0])
                and _may_be_one_block(start[0], end[0])
                and holds(build, start[1], end[1])
            ):
                yield LabelledBlock(
                    None, Span.from_bounds(section.span.start, end[1]), f"labels {start[0]} and {end[0]}"
                )
                break


def _sections(build: Build, known: list[Span]) -> list[Section]:
    """Those in use at run time that no known block touches, by address; without overlays."""
    sections = sorted(
        (each for each in build.all_sections if each.allocated and each.span.size),
        key=lambda each: each.span.start,
    )
    left = []
    for index, each in enumerate(sections):
        beside = [*sections[max(0, index - 1) : index], *sections[index + 1 : index + 2]]
        known_there = any(span.overlaps(each.span) or each.span.holds(span.start) for span in known)
        if not known_there and not any(other.span.overlaps(each.span) for other in beside):
            left.append(each)
    return left


def is_most_code(build: Build, section: Section) -> bool:
    """Whether the build as a whole moves to RAM by the section, of which the layout is to say so.

    Then it holds most of the code, or begins with a vector table.
    """
    if not (build.sections and section.stored and section.executable):
        return False
    code, size = build.sections.code()
    head = struct.unpack("<4I", build.read_at_run(section.span.start, 16) or bytes(16))
    return all(word & 1 and code.at(word) for word in head[1:]) or 2 * section.span.size > size


def _labels(build: Build, place: Span) -> Iterator[tuple[str, int]]:
    """Name and value of each label without a type in ``place``."""
    for symbol in build.symbols.objects_in(place) if build.symbols else ():
        if symbol.kind == "notype" and symbol.name and not symbol.mapping:
            yield symbol.name, symbol.value


def _may_be_one_block(start: str, end: str) -> bool:
    """Whether the names of two labels differ in the words for their parts alone, or have none that is known."""
    first, last = block_of(start), block_of(end)
    return first is None or last is None or first == last


def is_end(name: str) -> bool:
    """Whether a label is named for an end."""
    small = name.lower()
    begin = small.lstrip("_")
    return any(word in small for word in _END_WORDS) or (begin[:1] == "e" and "a" <= begin[1:2] <= "z")


def _ends_before(build: Build, inside: Span) -> bool:
    """Whether code uses a label named for an end that is inside of the block."""
    labels = build.symbols.objects_in(inside) if build.symbols else ()
    ends = [each for each in labels if each.kind == "notype" and is_end(each.name) and not each.mapping]
    return any(holds(build, each.value) for each in ends)


def _table_entry(build: Build, source: int, span: Span) -> str:
    """Where the file stores both addresses side by side with a size or an end after them; empty if nowhere."""
    fitting = {span.size, (span.size + 3) // 4, span.end}
    fitting |= {
        align_up(span.size, ROUNDING),
        align_up(span.size, ROUNDING) // 4,
        align_up(span.end, ROUNDING),
    }
    for pair in (struct.pack("<II", source, span.start), struct.pack("<II", span.start, source)):
        for segment in build.stored:
            for at in offsets_of(pair, segment.data):
                following = segment.data[at + 8 : at + 12]
                if at % 4 == 0 and int.from_bytes(following, "little") in fitting and len(following) == 4:
                    return f"the words at {segment.run_address + at:#x}"
    return ""
