"""The picture of a memory: one row a part, each drawn at its place in the memory, to scale.

::

                             0x1000_0000          0x1007_FFFF
    station-code 0x1000_0000 ▒▒······························ 2,724 of 32 KiB 8.3 %
      station    0x1000_0000 ▒······························· 2,720
    no area      0x1001_5000 ·····───────────────────────────          428 KiB
    one cell is 16 KiB

Every row is as wide as the whole memory, so that rows read like a staircase.  What is smaller than a
cell is drawn as a whole one, and the line under the picture says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.spans import Span, format_address, merge
from gemel.structs import Struct
from gemel.text.numbers import about_size, share, short_size
from gemel.text.styled import Line, Signs, Style, Styled, padded, width_of, wrapped

ADDRESS_WIDTH = 11
MIN_CELLS = 20
"""A picture with fewer cells gives up the addresses of its rows, then the ends of long names."""

MIN_LABEL = 8


class PictureRow(Struct):
    """One row: ``span`` is drawn, ``taken`` in it as used.

    ``used`` and ``per_cent`` are None where only the size is reported; ``part_of`` is the span of the area
    that a part is in, and by which its cells are reported to be full; ``area`` is False where nothing is
    set aside.
    """

    label: str
    span: Span
    taken: tuple[Span, ...]
    size: int
    used: int | None = None
    per_cent: float | None = None
    part_of: Span | None = None
    area: bool = True
    style: Style = ""

    @property
    def indented(self) -> str:
        """The label, further in for a part."""
        return f"  {self.label}" if self.part_of else self.label

    @property
    def sizes(self) -> tuple[str, str, str]:
        """Used bytes, size and share as they are printed."""
        if self.part_of:
            return f"{self.size:,}", "", ""
        if self.used is None or self.per_cent is None:
            return "", short_size(self.size), ""
        return f"{self.used:,}", short_size(self.size), share(self.per_cent)


class PictureColumns(Struct):
    """The widths of the columns, the same for all pictures of one output."""

    label: int
    address: bool
    most_cells: int
    used: int
    size: int
    share: int


def columns_for(rows: Iterable[PictureRow], width: int) -> PictureColumns:
    """The columns for these rows in ``width`` columns of text."""
    everything = list(rows)
    label = max((width_of(row.indented) for row in everything), default=0)
    counted = [row for row in everything if row.used is not None]
    used = max((width_of(row.sizes[0]) for row in everything), default=0)
    size = max((width_of(row.sizes[1]) for row in counted), default=0)
    share_width = max((width_of(row.sizes[2]) for row in counted), default=0)
    right = used + (len(" of ") + size + 1 + share_width if counted else 0)
    alone = (width_of(row.sizes[1]) for row in everything if row.used is None)
    right = max(right, *alone, 0)
    rest = width - right - 1
    cells = rest - label - 1 - ADDRESS_WIDTH - 1
    address = cells >= MIN_CELLS
    if not address:
        cells = rest - label - 1
    if cells < MIN_CELLS:
        label = max(MIN_LABEL, label - (MIN_CELLS - cells))
        cells = rest - label - 1
    return PictureColumns(label, address, max(1, cells), used, size, share_width)


def cell_count(whole: Span, rows: Iterable[PictureRow], most: int) -> int:
    """How many cells to draw: from seven tenths of ``most`` on, so that bounds of rows are between cells.

    Of the numbers with the fewest bounds inside a cell, those that divide the memory evenly come first,
    then the largest.
    """
    bounds = {
        edge - whole.start for row in rows if not row.part_of for edge in (row.span.start, row.span.end)
    }

    def cost(count: int) -> tuple[int, bool, int]:
        inside = sum(bound * count % whole.size != 0 for bound in bounds)
        return inside, whole.size % count != 0, -count

    return min(range(max(1, most * 7 // 10), most + 1), key=cost)


def picture(
    whole: Span, rows: list[PictureRow], columns: PictureColumns, width: int, signs: Signs
) -> Iterator[Line]:
    """The lines: the edges' addresses, a line for each row, and the scale."""
    count = cell_count(whole, rows, columns.most_cells)
    left = columns.label + 1 + (ADDRESS_WIDTH + 1 if columns.address else 0)
    yield _edges(whole, count, left)
    for row in rows:
        yield _row_line(row, whole, count, columns, signs)
    yield from wrapped([Styled(_scale(whole, rows, count), "dim")], width, 2)


def _edges(whole: Span, count: int, left: int) -> Line:
    """The first address above the first cell, the last above the last, or both as near as there is room."""
    first, last = format_address(whole.start), format_address(whole.last)
    room = count - len(first) - len(last)
    edges = first + " " * room + last if room > 0 else f"{first}..{last}"
    return (Styled(" " * max(0, min(left, left + count - len(edges)))), Styled(edges, "dim"))


def _scale(whole: Span, rows: Iterable[PictureRow], count: int) -> str:
    """What a cell stands for, and what is not to scale because it is less."""
    words = f"one cell is {about_size(-(-whole.size // count))}"
    areas = (row for row in rows if row.area and not row.part_of)
    small = [row.label for row in areas if row.span.size * count < whole.size]
    return f"{words}; less, and drawn as one cell: {', '.join(dict.fromkeys(small))}" if small else words


def _row_line(row: PictureRow, whole: Span, count: int, columns: PictureColumns, signs: Signs) -> Line:
    pieces = [Styled(padded(row.indented, columns.label, signs) + " ", "" if row.part_of else "name")]
    if columns.address:
        pieces.append(Styled(format_address(row.span.start) + " ", "dim" if row.part_of else ""))
    pieces += _bar(row, whole, count, signs)
    pieces.append(Styled(" " + _right(row, columns)))
    return tuple(pieces)


def _right(row: PictureRow, columns: PictureColumns) -> str:
    used, size, share_text = row.sizes
    if not size:
        return f"{used:>{columns.used}}"
    if not used:
        return f"{'':>{columns.used}}    {size}" if columns.share else f"{size:>{columns.used}}"
    return f"{used:>{columns.used}} of {size:<{columns.size}} {share_text:>{columns.share}}"


def _bar(row: PictureRow, whole: Span, count: int, signs: Signs) -> list[Styled]:
    """The row's cells, neighbours of one style together."""
    first, last = cells_of(row.span, whole, count)
    used = coverage(row.taken, whole, count)
    inside: list[Styled] = []
    for cell in range(first, last + 1):
        bounds = _cell(whole, count, cell).intersection(row.part_of or row.span)
        sign = _level(used.get(cell, 0), bounds.size, signs) if row.area or used.get(cell) else signs.no_area
        style: Style = row.style if used.get(cell) else "dim"
        if inside and inside[-1].style == style:
            inside[-1] = Styled(inside[-1].text + sign, style)
        else:
            inside.append(Styled(sign, style))
    before = Styled(signs.elsewhere * first, "dim")
    after = Styled(signs.elsewhere * (count - 1 - last), "dim")
    return [before, *inside, after]


def _cell(whole: Span, count: int, index: int) -> Span:
    start = whole.start + whole.size * index // count
    return Span.from_bounds(start, whole.start + whole.size * (index + 1) // count)


def _index(address: int, whole: Span, count: int) -> int:
    """The cell that holds ``address``, which is in ``whole``."""
    index = (address - whole.start) * count // whole.size
    return index + (address >= _cell(whole, count, index).end)


def cells_of(span: Span, whole: Span, count: int) -> tuple[int, int]:
    """Numbers of the first and last cell that hold a byte of ``span``, which is in ``whole``."""
    return _index(span.start, whole, count), _index(span.last, whole, count)


def coverage(spans: Iterable[Span], whole: Span, count: int) -> dict[int, int]:
    """For each cell that holds bytes of ``spans``, how many."""
    covered: dict[int, int] = {}
    for span in merge(each.intersection(whole) for each in spans):
        first, last = cells_of(span, whole, count)
        for cell in range(first, last + 1):
            covered[cell] = covered.get(cell, 0) + _cell(whole, count, cell).intersection(span).size
    return covered


def _level(used: int, size: int, signs: Signs) -> str:
    """The sign for ``used`` bytes of the ``size`` bytes that the row has in a cell."""
    if used == 0:
        return signs.levels[0]
    if used >= size:
        return signs.levels[3]
    return signs.levels[2] if 2 * used > size else signs.levels[1]
