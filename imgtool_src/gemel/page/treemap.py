"""A build's symbols as a treemap: a rectangle for each source folder, in it one for each of its largest symbols.

Rectangles by rows that are as near to squares as they get: Bruls, Huizing, van Wijk, "Squarified Treemaps" (2000).
Widths are per cent of the drawing's, heights are pixels, so that text keeps its size.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from heapq import nsmallest

from gemel.page.symbols import BuildSymbols, PageSymbol
from gemel.spans import Span
from gemel.structs import NamedTuple, Struct
from gemel.text.escaping import xml_text
from gemel.text.markup import element, fitted

WIDTH, HEIGHT = 900, 260
"""Pixels: the width that shapes are made for, and the height."""

HEAD = 16
"""Pixels of a folder's name above its symbols, where there is room for one."""

MAX_SYMBOLS = 60
"""Symbols that have a rectangle of their own; the others of a folder share one."""

MAX_FOLDERS = 12


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


class _Folder(Struct):
    """Name, bytes and number of the symbols of a source folder, and those that have a rectangle, the largest first."""

    name: str
    size: int
    count: int
    drawn: list[PageSymbol]


def treemap(own: BuildSymbols, number: int) -> str:
    """The drawing as an ``svg`` element; empty where no symbol has a size."""
    folders = _folders(own)
    if not folders:
        return ""
    parts: list[str] = []
    for folder, box in zip(
        folders, boxes_of([each.size for each in folders], Box(0, 0, WIDTH, HEIGHT)), strict=True
    ):
        has_head = box.height > 3 * HEAD and box.width > 3 * HEAD
        parts.append(_tile(box, f"{folder.name}, {folder.size:,} bytes", folder.name if has_head else ""))
        inner = Box(box.x, box.y + HEAD, box.width, box.height - HEAD) if has_head else box
        parts += _symbols(folder, inner, number)
    words = f"Symbols of {own.build} by source folder, areas by their bytes"
    return element(
        "svg", *parts, class_="treemap", width="100%", height=HEIGHT, role="group", aria_label=words
    )


def _folders(own: BuildSymbols) -> list[_Folder]:
    """The folders that take bytes, the largest first; small folders as one."""
    uses = [[0, 0] for _ in own.folders]
    sized = own.sized()
    for each in sized:
        use = uses[each.folder]
        use[0] += each.size
        use[1] += 1
    largest = nsmallest(MAX_SYMBOLS, sized, key=lambda each: (-each.size, each))
    order = sorted(
        (-size, name, at) for at, (name, (size, _)) in enumerate(zip(own.folders, uses, strict=True)) if size
    )
    named = [at for _, _, at in order]
    groups = [([at], own.folders[at]) for at in named]
    if len(named) > MAX_FOLDERS:
        rest = named[MAX_FOLDERS - 1 :]
        groups = [*groups[: MAX_FOLDERS - 1], (rest, f"{len(rest)} smaller folders")]
    folders = [
        _Folder(
            name,
            sum(uses[at][0] for at in group),
            sum(uses[at][1] for at in group),
            [each for each in largest if each.folder in group],
        )
        for group, name in groups
    ]
    return sorted(folders, key=lambda each: -each.size)


def _symbols(folder: _Folder, inside: Box, number: int) -> Iterator[str]:
    tiles: list[tuple[int, PageSymbol | None]] = [(each.size, each) for each in folder.drawn]
    if others := folder.count - len(folder.drawn):
        tiles.append((folder.size - sum(size for size, _ in tiles), None))
    tiles.sort(key=lambda tile: -tile[0])
    for (size, symbol), box in zip(tiles, boxes_of([size for size, _ in tiles], inside), strict=True):
        if symbol is None:
            words = f"{others:,} smaller symbols of {folder.name}, {size:,} bytes"
            yield _tile(box, words, f"{others:,} smaller")
        else:
            yield _linked(symbol, box, folder.name, number)


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
    place = {
        "x": f"{100 * box.x / WIDTH:.4g}%",
        "y": f"{box.y:.4g}",
        "width": f"{100 * box.width / WIDTH:.4g}%",
        "height": f"{box.height:.4g}",
    }
    yield element("rect", **place)
    if name and box.height >= HEAD and box.width > 2 * HEAD:
        yield fitted(name, **place)
