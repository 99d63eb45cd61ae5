"""What the file alone shows, as lines: its pieces as a picture, gaps, and hints at vector tables."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.show.as_text.picture import PictureRow, columns_for, picture
from gemel.show.facts.contents import Contents, FilePiece
from gemel.show.facts.used_bytes import size_of
from gemel.spans import Span, format_address, merge
from gemel.text.numbers import counted, short_size
from gemel.text.styled import Line, Signs, Style, Styled, wrapped

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
