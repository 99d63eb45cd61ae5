"""A build's symbols as a treemap: a rectangle for each source folder, in it one for each of its largest symbols.

Rectangles by rows that are as near to squares as they get: Bruls, Huizing, van Wijk, "Squarified Treemaps" (2000).
Widths are per cent of the drawing's, heights are pixels, so that text keeps its size.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.page.symbols import BuildSymbols, PageSymbol
from gemel.spans import Span
from gemel.structs import NamedTuple
from gemel.text.escaping import xml_text
from gemel.text.markup import element, label

WIDTH, HEIGHT = 900, 260
"""Pixels: the width that shapes are made for, and the height."""

HEAD = 16
"""Pixels of a folder's name above its symbols, where there is room for one."""

MOST = 60
"""Symbols that have a rectangle of their own; the others of a folder share one."""

MOST_FOLDERS = 12


class Box(NamedTuple):
    """A rectangle, in pixels of a drawing of `WIDTH`."""

    x: float
    y: float
    width: float
    height: float


def boxes_of(sizes: Sequence[int], inside: Box) -> list[Box]:
    """A box for each of ``sizes``, which descend and are over 0, of its share of ``inside``."""
    boxes: list[Box] = []
    left, at, total = inside, 0, sum(sizes)
    while at < len(sizes):
        side = min(left.width, left.height)
        scale = left.width * left.height / total if total else 0.0
        end, row = at + 1, sizes[at]
        while end < len(sizes) and _worst(sizes[at : end + 1], row + sizes[end], side, scale) <= _worst(
            sizes[at:end], row, side, scale
        ):
            row += sizes[end]
            end += 1
        thick = row / total
        at_left = left.width >= left.height
        done = 0.0
        for size in sizes[at:end]:
            share = size / row
            boxes.append(
                Box(left.x, left.y + done * left.height, left.width * thick, left.height * share)
                if at_left
                else Box(left.x + done * left.width, left.y, left.width * share, left.height * thick)
            )
            done += share
        left = (
            Box(left.x + left.width * thick, left.y, left.width * (1 - thick), left.height)
            if at_left
            else Box(left.x, left.y + left.height * thick, left.width, left.height * (1 - thick))
        )
        at, total = end, total - row
    return boxes


def _worst(row: Sequence[int], total: int, side: float, scale: float) -> float:
    """The longest side by the shortest of the boxes of a row along ``side``, the worst of them."""
    area, square = total * scale, side * side
    if not area or not square:
        return 1.0
    return max(square * row[0] * scale / (area * area), area * area / (square * row[-1] * scale))


def treemap(own: BuildSymbols, number: int) -> str:
    """The drawing as an ``svg`` element; empty where no symbol has a size."""
    folders = _by_folder(own)
    if not folders:
        return ""
    drawn = {each for _, symbols in folders for each in symbols}
    largest = set(sorted(drawn, key=lambda each: (-each.size, each))[:MOST])
    sizes = [sum(each.size for each in symbols) for _, symbols in folders]
    parts: list[str] = []
    for (name, symbols), size, box in zip(
        folders, sizes, boxes_of(sizes, Box(0, 0, WIDTH, HEIGHT)), strict=True
    ):
        has_head = box.height > 3 * HEAD and box.width > 3 * HEAD
        parts.append(_tile(box, f"{name}, {size:,} bytes", name if has_head else ""))
        inner = Box(box.x, box.y + HEAD, box.width, box.height - HEAD) if has_head else box
        parts += _symbols(symbols, largest, inner, name, number)
    words = f"Symbols of {own.build} by source folder, areas by their bytes"
    return element(
        "svg", *parts, class_="treemap", width="100%", height=HEIGHT, role="group", aria_label=words
    )


def _by_folder(own: BuildSymbols) -> list[tuple[str, list[PageSymbol]]]:
    """Each folder with its symbols, both the largest first, each place once; small folders as one."""
    folders: dict[int, list[PageSymbol]] = {}
    last = -1
    for each in sorted(own.symbols, key=lambda each: (each.start, -each.size)):
        if each.size and each.start != last:
            folders.setdefault(each.folder, []).append(each)
            last = each.start
    named = [(own.folders[folder], symbols) for folder, symbols in folders.items()]
    named.sort(key=lambda each: (-sum(symbol.size for symbol in each[1]), each[0]))
    if len(named) > MOST_FOLDERS:
        rest = [symbol for _, symbols in named[MOST_FOLDERS - 1 :] for symbol in symbols]
        named = [*named[: MOST_FOLDERS - 1], (f"{len(named) - MOST_FOLDERS + 1} smaller folders", rest)]
        named.sort(key=lambda each: -sum(symbol.size for symbol in each[1]))
    return [(name, sorted(symbols, key=lambda each: (-each.size, each))) for name, symbols in named]


def _symbols(
    symbols: Sequence[PageSymbol], largest: set[PageSymbol], inside: Box, folder: str, number: int
) -> Iterator[str]:
    own = [each for each in symbols if each in largest]
    others = symbols[len(own) :]
    tiles: list[tuple[int, PageSymbol | None]] = [(each.size, each) for each in own]
    if others:
        tiles.append((sum(each.size for each in others), None))
    tiles.sort(key=lambda tile: -tile[0])
    for (size, symbol), box in zip(tiles, boxes_of([size for size, _ in tiles], inside), strict=True):
        if symbol is None:
            words = f"{len(others):,} smaller symbols of {folder}, {size:,} bytes"
            yield _tile(box, words, f"{len(others):,} smaller")
        else:
            yield _linked(symbol, box, folder, number)


def _linked(symbol: PageSymbol, box: Box, folder: str, number: int) -> str:
    span = Span(symbol.start, symbol.size)
    words = f"{symbol.name}, {folder}, {span}, {symbol.size:,} bytes"
    return element(
        "a",
        element("title", xml_text(words)),
        *_drawn(box, symbol.name),
        href=f"#build-{number}",
        class_=f"part build build-{number % 2}",
        aria_label=words,
        data_start=symbol.start,
        data_size=symbol.size,
        data_name=symbol.name,
        data_note=folder,
    )


def _tile(box: Box, words: str, name: str) -> str:
    return element("g", element("title", xml_text(words)), *_drawn(box, name), class_="tile")


def _drawn(box: Box, name: str) -> Iterator[str]:
    """The rectangle and its name, which is cut at its edge."""
    place = {
        "x": f"{100 * box.x / WIDTH:.4g}%",
        "y": f"{box.y:.4g}",
        "width": f"{100 * box.width / WIDTH:.4g}%",
        "height": f"{box.height:.4g}",
    }
    yield element("rect", **place)
    if name and box.height >= HEAD and box.width > 2 * HEAD:
        yield element("svg", label(name, x=4, y=12), **place)
