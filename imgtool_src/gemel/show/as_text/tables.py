"""The tables: builds, vectors, stamps and checksums, and how a table of text is laid out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from gemel.show.facts.contents import BuildUse, Contents, VectorFacts, VectorGroup, WrittenValue
from gemel.spans import format_address
from gemel.structs import Struct
from gemel.text.numbers import counted, share
from gemel.text.styled import Line, Signs, Styled, padded, printable, shortened, width_of, wrapped

_ORIGINS = {
    "record": "from the record, as no file of it was given",
    "layout": "guessed from the bytes of the area, as there is neither a file nor a record of it",
}


def build_lines(contents: Contents, width: int, signs: Signs) -> list[Line]:
    """The layout's builds: where they are stored and run, and the RAM they claim."""
    columns = (
        Column("name", shortest=8),
        Column("stored"),
        Column("bytes", right=True),
        Column("of area", right=True),
        Column("runs"),
        Column("RAM", right=True, shortest=0),
    )
    rows = [_build_row(build) for build in contents.builds]
    lines = [(Styled("builds", "title"),), *_indented(table(columns, rows, width - 2, signs))]
    if lines[1:] and lines[1][-1].text.strip() != "RAM":  # left out where there is no room
        claimed = ", ".join(f"{row[0].text} {row[-1].text}" for row in rows if row[-1].text)
        lines += wrapped([Styled(f"  RAM: {claimed}")], width, 4) if claimed else []
    for origin, words in _ORIGINS.items():
        if names := [build.name for build in contents.builds if build.known_from == origin]:
            lines += wrapped([Styled(f"  place of {', '.join(names)}: {words}", "dim")], width, 4)
    for build in contents.builds:
        for start, group in groupby(build.overlays, key=lambda each: each.run.start):
            sizes = ", ".join(f"{each.name} {counted(each.run.size, 'byte')}" for each in group)
            note = f"  one at a time at {format_address(start)} of {build.name}: {sizes}"
            lines += wrapped([Styled(note)], width, 4)
    return lines


def _indented(lines: list[Line]) -> list[Line]:
    return [(Styled("  "), *line) for line in lines]


def _build_row(build: BuildUse) -> list[Styled]:
    name = Styled(build.name, "name")
    if build.stored is None or build.run is None or build.per_cent is None:
        return [name, Styled("NOT IN THE IMAGE", "bad"), *[Styled("")] * 4]
    in_place = build.run.start == build.stored.start
    return [
        name,
        Styled(str(build.stored)),
        Styled(f"{build.stored.size:,}"),
        Styled(share(build.per_cent)),
        Styled("in place" if in_place else format_address(build.run.start)),
        Styled("not known" if build.ram is None else f"{build.ram:,}"),
    ]


def vector_lines(contents: Contents, width: int, signs: Signs) -> list[list[Line]]:
    """One section a vector table, with equal neighbours in one row."""
    return [list(_vectors(facts, width, signs)) for facts in contents.vector_tables]


def _vectors(facts: VectorFacts, width: int, signs: Signs) -> Iterator[Line]:
    where = f" at {format_address(facts.span.start)}"
    if facts.seen_at != facts.span.start:
        where += f", which core {facts.core} sees at {format_address(facts.seen_at)}"
    unused = f"{facts.unused} unused" if facts.unused else "all used"
    words = f" of {facts.build}{where}: {facts.entries} entries, {unused}"
    yield from wrapped([Styled("vectors", "title"), Styled(words)], width, 2)
    columns = (Column(right=True), Column(), Column(), Column(shortest=12), Column(shortest=12))
    rows = [_vector_row(group) for group in facts.groups]
    yield from _indented(table(columns, rows, width - 2, signs))


def _vector_row(group: VectorGroup) -> list[Styled]:
    number = str(group.first) if group.first == group.last else f"{group.first}-{group.last}"
    plain_notes = ("", "unused", "erased")
    odd = group.note not in plain_notes and (group.first > 0 or group.note == "in no memory")
    note = Styled(group.note, "bad" if odd else "")
    symbol = Styled(group.symbol or "", "build")
    name = Styled(group.name, "name" if group.used else "dim")
    value = format_address(group.value)
    if not group.used and group.value == 0:
        value = "0"
    last = [symbol, note] if group.symbol else [note, Styled("")]
    return [Styled(number), name, Styled(value), *last]


def value_lines(contents: Contents, width: int, signs: Signs) -> list[Line]:
    """Stamps and checksums: place, value in the image, and whether it is the right one."""
    if not contents.values:
        return []
    columns = (Column(shortest=8), Column(), Column(shortest=16), Column(), Column(shortest=0))
    rows = [_value_row(value) for value in contents.values]
    lines: list[Line] = [(Styled("stamps and checksums", "title"),)]
    table_lines = _indented(table(columns, rows, width - 2, signs))
    for value, line in zip(contents.values, table_lines, strict=True):
        lines.append(line)
        if value.match == "differs":
            lines.append((Styled(f"    must be {value.expected}"),))
    reasons: dict[str, list[str]] = {}
    for value in contents.values:
        if value.match == "not known":
            reasons.setdefault(value.expected, []).append(value.name)
    for reason, names in reasons.items():
        lines += wrapped([Styled(f"  not known: {', '.join(names)}: {reason}", "dim")], width, 4)
    return lines


def _value_row(value: WrittenValue) -> list[Styled]:
    words = {"matches": Styled("matches", "good"), "differs": Styled("DIFFERS", "bad")}
    return [
        Styled(value.name, "name"),
        Styled(format_address(value.span.start) if value.span else ""),
        Styled(value.shown),
        words.get(value.match, Styled("not known", "dim")),
        Styled(value.source),
    ]


GAP, NARROW_GAP = 2, 1
"""Spaces between two columns, and where the line is too narrow for the columns whole."""

MIN_LETTERS = 8
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
            if shortest == 0 and (columns[index].right or widths[index] - cut < MIN_LETTERS):
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
