"""The table of two layouts side by side, for people, with the first difference marked."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.contract.rows import Cell, Row
from gemel.structs import NamedTuple

WIDTH = 68
"""Columns of a line: a report of 80 columns puts 12 in front of it."""

BEFORE, AFTER, FURTHER = 4, 6, 6
"""Rows shown before the first difference and after it, and other rows that differ."""

MARK, FURTHER_MARK = ">>", " >"
_MARGIN, _INDENT = 3, 2

_PLACE, _SIZE = 6, 8
"""Columns of a place, and of a size with the blank before it, at least: longer numbers take more."""

MIN_COLUMNS = 12
"""Columns of the names at least; where longer numbers leave fewer, both sides stand below each other."""


def side_by_side(rows: list[Row], names: tuple[str, str]) -> tuple[str, ...]:
    """The lines: the names of both sides, what the columns hold, and the rows that matter.

    ``>>`` marks the first row that differs, ``>`` every further one.  Rows far from any difference are
    left out, and it is said how many.  No line is wider than ``WIDTH``: names lose their middle for it,
    numbers never a digit.
    """
    first = first_difference(rows)
    shown = _shown(rows, first)
    table = _table(names, [row for number, row in enumerate(rows) if number in shown])
    lines = list(table.head(_units(rows)))
    left_out = 0
    for number, row in enumerate(rows):
        if number not in shown:
            left_out += 1
            continue
        if left_out:
            lines.append(_left_out(left_out))
            left_out = 0
        mark = MARK if number == first else FURTHER_MARK if row.differs else ""
        lines += table.row(row, mark)
    if left_out:
        lines.append(_left_out(left_out))
    return tuple(line.rstrip() for line in lines)


class _Beside(NamedTuple):
    """Both sides next to each other; the widths of the name, and of a place and a size on either side."""

    names: tuple[str, str]
    label: int
    place: int
    size: int

    def head(self, units: str) -> Iterator[str]:
        group = self.place + self.size
        if len(units) > self.label:
            yield f"{'':{_MARGIN}}{units}"
            units = ""
        columns = f" {'offset':>{self.place}}{'size':>{self.size}}"
        yield " " * (_MARGIN + self.label) + "".join(
            f" {_fitted(name, group):>{group}}" for name in self.names
        )
        yield f"{'':{_MARGIN}}{units:{self.label}}{columns * 2}"

    def row(self, row: Row, mark: str) -> Iterator[str]:
        label = _indented(row, self.label)
        yield f"{mark:2} {label:{self.label}} {self._cell(row.left)} {self._cell(row.right)}"

    def _cell(self, cell: Cell | None) -> str:
        place, size = cell or ("-", "-")
        return f"{place:>{self.place}}{size:>{self.size}}"


class _Below(NamedTuple):
    """Both sides below each other, a line or more for each, where their numbers do not fit one line."""

    names: tuple[str, str]

    def head(self, units: str) -> Iterator[str]:
        yield f"{'':{_MARGIN}}{units}"

    def row(self, row: Row, mark: str) -> Iterator[str]:
        from textwrap import wrap

        label = _indented(row, WIDTH - _MARGIN)
        yield f"{mark:2} {label}"
        margin = " " * (_MARGIN + len(label) - len(label.lstrip()) + _INDENT)
        for name, cell in zip(self.names, (row.left, row.right), strict=True):
            yield from wrap(
                f"{name}: {_in_words(cell)}",
                WIDTH,
                initial_indent=margin,
                subsequent_indent=margin + " " * _INDENT,
                break_on_hyphens=False,
            )


def _table(names: tuple[str, str], rows: list[Row]) -> _Beside | _Below:
    cells = [cell for row in rows for cell in (row.left, row.right) if cell]
    place = max([_PLACE, *(len(cell.place) for cell in cells)])
    size = max([_SIZE, *(1 + len(cell.size) for cell in cells)])
    label = WIDTH - _MARGIN - 2 * (1 + place + size)
    return _Beside(names, label, place, size) if label >= MIN_COLUMNS else _Below(names)


def first_difference(rows: list[Row]) -> int:
    """The number of the row to begin with: the first that differs; 0 if none does.

    Of one that only has another size because of what is in it, the first of these.
    """
    first = next((number for number, row in enumerate(rows) if row.differs), 0)
    for number, row in enumerate(rows[first + 1 :], first + 1):
        outer = rows[first]
        if row.depth <= outer.depth or not (
            outer.left and outer.right and outer.left.place == outer.right.place
        ):
            break
        if row.differs:
            first = number
    return first


def _shown(rows: list[Row], first: int) -> set[int]:
    shown = {0, *range(max(0, first - BEFORE), min(len(rows), first + AFTER + 1))}
    further = [number for number, row in enumerate(rows) if row.differs and number > first]
    shown.update(further[:FURTHER])
    for number in list(shown):  # what a row stands in
        depth = rows[number].depth
        for above in range(number - 1, -1, -1):
            if depth and rows[above].depth < depth:
                depth = rows[above].depth
                shown.add(above)
    return shown | {number for number in range(len(rows)) if number - 1 in shown and number + 1 in shown}


def _left_out(count: int) -> str:
    return f"{'':3}  ... {count:,} row{'' if count == 1 else 's'} left out  "


def _units(rows: list[Row]) -> str:
    bits = any(cell and ":" in cell.place for row in rows for cell in (row.left, row.right))
    return "(4:3 is byte 4, bit 3)" if bits else "(bytes)"


def _indented(row: Row, width: int) -> str:
    """The name of a row after its indent, which leaves at least half of ``width`` to it."""
    indent = " " * min(_INDENT * row.depth, width // 2)
    return indent + _fitted(row.label, width - len(indent))


def _in_words(cell: Cell | None) -> str:
    if cell is None:
        return "-"
    size = cell.size if cell.size.startswith("=") else f"size {cell.size}"
    return f"offset {cell.place}, {size}" if cell.place else size


def _fitted(text: str, width: int) -> str:
    """The text, its middle left out if it is too long: a member's name stands at the end."""
    if len(text) <= width:
        return text
    head = max(0, (width - 3) // 3)
    return f"{text[:head]}...{text[len(text) - (width - 3 - head) :]}"
