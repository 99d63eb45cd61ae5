"""The table of two layouts side by side, for people, with the first difference marked."""

from __future__ import annotations

from gemel.check.contract_rows import Cell, Row

WIDTH = 68
"""Columns of a line: a report of 80 columns puts 12 in front of it."""

BEFORE, BEHIND, FURTHER = 4, 6, 6
"""Rows shown before the first difference and behind it, and other rows that differ."""

MARK, FURTHER_MARK = ">>", " >"
_PLACE, _SIZE = 6, 8
_GROUP = _PLACE + _SIZE
_INDENT = 2


def side_by_side(rows: list[Row], names: tuple[str, str]) -> tuple[str, ...]:
    """The lines: the names of both sides, what the columns hold, and the rows that matter.

    ``>>`` marks the first row that differs, ``>`` every further one.  Rows far from any difference are
    left out, and it is said how many.
    """
    first = first_difference(rows)
    shown = _shown(rows, first)
    label_width = WIDTH - 3 - 2 * (_GROUP + 1)
    lines = [
        " " * (3 + label_width) + "".join(f" {_fitted(name, _GROUP):>{_GROUP}}" for name in names),
        f"{'':3}{_units(rows):{label_width}}" + f" {'offset':>{_PLACE}}{'size':>{_SIZE}}" * 2,
    ]
    left_out = 0
    for number, row in enumerate(rows):
        if number not in shown:
            left_out += 1
            continue
        if left_out:
            lines.append(_left_out(left_out))
            left_out = 0
        mark = MARK if number == first else FURTHER_MARK if row.differs else ""
        lines.append(_line(row, mark, label_width))
    if left_out:
        lines.append(_left_out(left_out))
    return tuple(line.rstrip() for line in lines)


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
    shown = {0, *range(max(0, first - BEFORE), min(len(rows), first + BEHIND + 1))}
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


def _line(row: Row, mark: str, label_width: int) -> str:
    indent = " " * (_INDENT * row.depth)
    label = indent + _fitted(row.label, label_width - len(indent))
    return f"{mark:2} {label:{label_width}}" + "".join(f" {_cell(cell)}" for cell in (row.left, row.right))


def _cell(cell: Cell | None) -> str:
    return f"{cell.place:>{_PLACE}}{cell.size:>{_SIZE}}" if cell else f"{'-':>{_PLACE}}{'-':>{_SIZE}}"


def _fitted(text: str, width: int) -> str:
    """The text, its middle left out if it is too long: a member's name stands at the end."""
    if len(text) <= width:
        return text
    head = max(0, (width - 3) // 3)
    return f"{text[:head]}...{text[len(text) - (width - 3 - head) :]}"
