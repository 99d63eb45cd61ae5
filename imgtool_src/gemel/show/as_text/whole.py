"""``Contents`` as lines of text: the file, the memories, the builds, the record, vectors, written values."""

from __future__ import annotations

import re
from collections.abc import Iterator

from gemel.checking.identity_forms import identity_rows
from gemel.show.as_text.file_alone import file_alone_lines
from gemel.show.as_text.memories import memory_lines
from gemel.show.as_text.records import record_lines
from gemel.show.as_text.seals import seal_lines, standing_of
from gemel.show.as_text.tables import build_lines, value_lines, vector_lines
from gemel.show.facts.contents import Contents
from gemel.spans import format_address
from gemel.text.numbers import counted
from gemel.text.styled import Line, Signs, Styled, fitted, width_of, wrapped
from gemel.text.wrapping import labelled_lines

NARROWEST = 60
"""The least width in columns that the text is made for."""

_DIGEST = re.compile(r"\b[0-9a-f]{64}\b")


def text_of(contents: Contents, width: int, signs: Signs) -> list[Line]:
    """All lines, each at most ``width`` columns (at least ``NARROWEST``) wide but for those of whole digests.

    Without a layout the file's pieces stand where the memories would.
    """
    width = max(width, NARROWEST)
    sections: list[list[Line]] = []
    if contents.layout is None:
        sections += file_alone_lines(contents, width, signs)
        sections += [*record_lines(contents, width), *seal_lines(contents, width)]
    else:
        sections += memory_lines(contents, width, signs)
        sections.append(build_lines(contents, width, signs))
        sections += [*record_lines(contents, width), *seal_lines(contents, width)]
        sections += vector_lines(contents, width, signs)
        sections.append(value_lines(contents, width, signs))
    lines = list(_file_lines(contents, width))
    for section in (section for section in sections if section):
        lines.append(())
        lines.extend(fitted(line, _width_of_whole(line, width), signs) for line in section)
    return lines


def _width_of_whole(line: Line, width: int) -> int:
    """``width``, or more where the line has a digest, which stays whole so that it can be compared and copied."""
    return max([width, *(width_of(piece.text) for piece in line if _DIGEST.search(piece.text))])


def _file_lines(contents: Contents, width: int) -> Iterator[Line]:
    """The file and its identity, digests whole whatever the width; then what the file holds."""
    image = contents.image
    title = [Styled(image.file, "title")]
    if len(contents.records) == 1:
        record = contents.records[0]
        title.append(Styled(f": {record.product} {record.version}, rollback counter {record.rollback}; "))
        title.append(standing_of(contents, record))
    elif contents.records:
        title.append(Styled(f": {len(contents.records)} records, each listed below"))
    yield from wrapped(title, width, 2)
    _, *rows = identity_rows(contents.identity)
    if image.runs:
        where = f"{format_address(image.runs[0].start)}..{format_address(image.runs[-1].last)}"
        holds = f"{counted(image.size, 'byte')} in {counted(len(image.runs), 'run')}, {where}"
        if image.entry is not None:
            holds += f"; starts at {format_address(image.entry)}"
        rows.append(("holds", holds))
    for line in labelled_lines(rows, width):
        yield (Styled(line),)
    if not image.runs:
        yield (Styled("The file holds no bytes.", "bad"),)
