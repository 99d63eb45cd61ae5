"""Tables of text: columns as wide as they must be, the flexible ones cut where the line is too narrow."""

from __future__ import annotations

from collections.abc import Sequence

from gemel.structs import Struct
from gemel.text.styled import Line, Signs, Styled, padded, printable, shortened, width_of

GAP, NARROW_GAP = 2, 1
"""Spaces between two columns, and where the line is too narrow for the columns whole."""

FEWEST_LETTERS = 8
"""Width of a column that may be left out, below which it is."""


class Column(Struct):
    """One column; ``shortest`` is the width it may be cut to (None: it is never cut)."""

    title: str = ""
    right: bool = False
    shortest: int | None = None


def table(
    columns: Sequence[Column], rows: Sequence[Sequence[Styled]], width: int, signs: Signs
) -> list[Line]:
    """The rows as lines of at most ``width`` columns, below the columns' titles if any has one.

    Where they do not fit, they come nearer to each other; then flexible columns are cut, the last first; one that is
    cut to nothing is left out.
    """
    titles = [Styled(column.title, "dim") for column in columns]
    lines = [titles, *rows] if any(column.title for column in columns) else list(rows)
    cells = [[Styled(printable(cell.text, signs), cell.style) for cell in line] for line in lines]
    widths = [max(width_of(line[index].text) for line in cells) for index in range(len(columns))]
    filled = [index for index, each in enumerate(widths) if each]
    whole, gaps = sum(widths[index] for index in filled), len(filled) - 1
    gap = GAP if whole + GAP * gaps <= width else NARROW_GAP
    over = whole + gap * gaps - width
    for index in reversed(filled):
        shortest = columns[index].shortest
        if over > 0 and shortest is not None:
            cut = max(0, min(over, widths[index] - shortest))
            # The first digits of a number are another number, and some letters say nothing: rather none.
            if shortest == 0 and (columns[index].right or widths[index] - cut < FEWEST_LETTERS):
                cut = widths[index]
            widths[index] -= cut
            over -= cut + (gap if widths[index] == 0 else 0)
    shown = [index for index in filled if widths[index]]
    return [_line(columns, line, widths, shown, gap, signs) for line in cells]


def _line(
    columns: Sequence[Column],
    cells: Sequence[Styled],
    widths: Sequence[int],
    shown: Sequence[int],
    gap: int,
    signs: Signs,
) -> Line:
    pieces: list[Styled] = []
    for index in shown:
        text = shortened(cells[index].text, widths[index], signs)
        if columns[index].right:
            text = " " * (widths[index] - width_of(text)) + text
        if pieces:
            pieces.append(Styled(" " * gap))
        pieces.append(Styled(padded(text, widths[index], signs), cells[index].style))
    return tuple(pieces)
