"""``Contents`` as lines of text: the file, the memories, the builds, the record, vectors, written values."""

from __future__ import annotations

import re
from collections.abc import Iterator

from gemel.checking.identity_forms import identity_rows
from gemel.show.as_text.memories import memory_lines
from gemel.show.as_text.picture import PictureRow, columns_for, picture
from gemel.show.as_text.records import record_lines, seal_lines, standing_of
from gemel.show.as_text.tables import build_lines, value_lines, vector_lines
from gemel.show.facts.contents import Contents, FilePiece
from gemel.show.facts.used_bytes import size_of
from gemel.spans import Span, format_address, merge
from gemel.text.numbers import counted, short_size
from gemel.text.styled import Line, Signs, Style, Styled, fitted, width_of, wrapped
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


MAX_ROWS = 24
"""Pieces drawn in one picture; of more the largest are drawn."""

MAX_GAPS = 5
FAR = 1 << 16
"""Runs further apart than this, and further than all the file's bytes, get pictures of their own."""

_STYLES: dict[str, Style] = {"build": "build", "record": "record", "bytes": "other"}


def file_alone_lines(contents: Contents, width: int, signs: Signs) -> list[list[Line]]:
    """The sections, empty ones among them."""
    hint = "Without a layout: what the file alone shows. LAYOUT before it adds areas, use and vectors."
    sections = [wrapped([Styled(hint, "dim")], width, 0)]
    regions = _regions(contents)
    rows = {region: _rows(contents, region) for region in regions}
    columns = columns_for([row for each in rows.values() for row in each], width)
    for region in regions:
        pieces = _pieces_in(contents, region)
        title = f": {short_size(region.size)}, {counted(len(pieces), 'piece')}"
        lines: list[Line] = [(Styled(str(region), "title"), Styled(title))]
        lines += picture(region, rows[region], columns, width, signs)
        if left := sorted(pieces, key=lambda piece: piece.span.size, reverse=True)[MAX_ROWS:]:
            size = sum(piece.span.size for piece in left)
            words = f"and {counted(len(left), 'smaller piece')}, {counted(size, 'byte')} in all"
            lines.append((Styled(words),))
        sections.append(lines)
    if regions:
        free, *_, full = signs.levels
        sections[-1].append((Styled(f"{full} bytes   {free} blank", "dim"),))
    sections.append(list(_gaps(contents)))
    sections.append(list(_hints(contents, width)))
    return sections


def _regions(contents: Contents) -> list[Span]:
    """The file's bounds, cut at gaps that would leave nothing to see in one picture."""
    return merge(contents.image.runs, max(FAR, contents.image.size))


def _pieces_in(contents: Contents, region: Span) -> list[FilePiece]:
    return [piece for piece in contents.pieces if region.covers(piece.span)]


def _rows(contents: Contents, region: Span) -> list[PictureRow]:
    pieces = _pieces_in(contents, region)
    largest = sorted(pieces, key=lambda piece: (-piece.span.size, piece.span))[:MAX_ROWS]
    rows = []
    for piece in sorted(largest, key=lambda piece: piece.span):
        taken = () if piece.kind == "blank" else (piece.span,)
        style = _STYLES.get(piece.kind, "")
        rows.append(PictureRow(piece.name, piece.span, taken, piece.span.size, style=style))
    return rows


def _gaps(contents: Contents) -> Iterator[Line]:
    gaps = sorted(contents.image.gaps, key=lambda gap: (-gap.size, gap.start))
    if not gaps:
        return
    yield (Styled("gaps", "title"), Styled(", the largest first"))
    for gap in gaps[:MAX_GAPS]:
        yield (Styled(f"  {gap}  {short_size(gap.size)}"),)
    if rest := gaps[MAX_GAPS:]:
        yield (Styled(f"  and {counted(len(rest), 'smaller gap')}, {counted(size_of(rest), 'byte')} in all"),)


def _hints(contents: Contents, width: int) -> Iterator[Line]:
    if not contents.vector_hints:
        return
    words = ": only a hint; word 0 looks like a stack pointer in RAM, words 1 to 3 like handlers"
    yield from wrapped([Styled("possible vector tables", "title"), Styled(words)], width, 2)
    for hint in contents.vector_hints:
        ram = " (in RAM)" if hint.runs_from_ram else ""
        where = format_address(hint.start)
        stack, reset = format_address(hint.stack), format_address(hint.reset)
        yield (Styled(f"  {where}  stack {stack}, reset {reset}{ram}"),)
