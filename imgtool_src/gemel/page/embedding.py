"""The symbols and the bytes that a page carries: compressed, and no more than its limit has room for.

What a page carries of the image are blocks of 64 KiB, those with vector tables, records, seals, written values and
findings first, then the rest by address.  Everything is zlib (RFC 1950) in base64, which holds nothing that ends a
script element; a browser unpacks it by ``DecompressionStream("deflate")`` when it is needed.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Iterable, Sequence

from gemel.image.sparse import SparseBytes
from gemel.page.symbols import BuildSymbols
from gemel.spans import Span, align_down, merge
from gemel.structs import Struct

MAX_SYMBOL_TEXT = 1_300_000
"""Characters that the symbols of all builds take at most."""

MAX_BYTES_TEXT = 1_200_000
"""Characters that the bytes of the image take at most."""

WINDOW = 0x1_0000

MAX_STRETCHES = 2000
"""Stretches left out that are named; of more, only the first and the last address."""

_ELEMENT = 100
"""Characters of the element around a block, at most."""

_LEVEL = 6


class DataBlock(Struct):
    """Bytes of the image in a window of 64 KiB; ``is_masked``: as many bytes follow, 1 where the image holds one."""

    start: int
    size: int
    text: str
    is_masked: bool


class EmbeddedBytes(Struct):
    """The blocks of a page, by address; the stretches and how many bytes of the image are in none."""

    blocks: tuple[DataBlock, ...]
    left_out: tuple[Span, ...]
    bytes_left_out: int


def embedded_bytes(image: SparseBytes, first: Iterable[Span]) -> EmbeddedBytes:
    """As much of ``image`` as there is room for: the windows that ``first`` touches, then all by address."""
    blocks: list[DataBlock] = []
    left_out: list[Span] = []
    room, bytes_left_out = MAX_BYTES_TEXT, 0
    for window in _windows(image.spans(), first):
        held = image.held_in(window)
        if room > 0:
            block = _block(image, held)
            room -= len(block.text) + _ELEMENT
            if room >= 0:
                blocks.append(block)
                continue
        left_out.append(window)
        bytes_left_out += sum(span.size for span in held)
    stretches = merge(left_out)
    if len(stretches) > MAX_STRETCHES:
        stretches = [Span.from_bounds(stretches[0].start, stretches[-1].end)]
    return EmbeddedBytes(
        tuple(sorted(blocks, key=lambda block: block.start)), tuple(stretches), bytes_left_out
    )


def _windows(held: Sequence[Span], first: Iterable[Span]) -> list[Span]:
    wanted = {at for span in first for at in range(align_down(span.start, WINDOW), span.end, WINDOW)}
    every = {at for span in held for at in range(align_down(span.start, WINDOW), span.end, WINDOW)}
    return [Span(at, WINDOW) for at in sorted(every, key=lambda at: (at not in wanted, at))]


def _block(image: SparseBytes, held: Sequence[Span]) -> DataBlock:
    whole = Span.from_bounds(held[0].start, held[-1].end)
    data = image.read(whole, 0)
    if len(held) == 1:
        return DataBlock(whole.start, whole.size, _packed(data), False)
    mask = bytearray(whole.size)
    for span in held:
        mask[span.start - whole.start : span.end - whole.start] = b"\1" * span.size
    return DataBlock(whole.start, whole.size, _packed(data + mask), True)


class EmbeddedSymbols(Struct):
    """The symbols of a page, and how many of all are left out, the smallest first."""

    text: str
    left_out: int


def embedded_symbols(builds: Sequence[BuildSymbols]) -> EmbeddedSymbols:
    """The symbols of all builds in columns; where they take too much room, the largest of them."""
    count = total = sum(len(build.symbols) for build in builds)
    while True:
        text = _packed(
            json.dumps([_columns(each) for each in _largest(builds, count, total)]).encode("ascii")
        )
        if len(text) <= MAX_SYMBOL_TEXT or not count:
            return EmbeddedSymbols(text, total - count)
        count = int(count * min(0.9, 0.95 * MAX_SYMBOL_TEXT / len(text)))


def _largest(builds: Sequence[BuildSymbols], count: int, total: int) -> Sequence[BuildSymbols]:
    if count == total:
        return builds
    ranked = sorted(
        (-symbol.size, number, at)
        for number, build in enumerate(builds)
        for at, symbol in enumerate(build.symbols)
    )
    kept = {(number, at) for _, number, at in ranked[:count]}
    return [
        BuildSymbols(
            each.build,
            [symbol for at, symbol in enumerate(each.symbols) if (number, at) in kept],
            each.folders,
            each.uses,
            each.moved,
            each.why_no_folders,
        )
        for number, each in enumerate(builds)
    ]


def _columns(build: BuildSymbols) -> dict[str, object]:
    """Columns compress better than rows, and distances between addresses better than addresses."""
    before, distances = 0, []
    for symbol in build.symbols:
        distances.append(symbol.start - before)
        before = symbol.start
    return {
        "build": build.build,
        "start": distances,
        "size": [symbol.size for symbol in build.symbols],
        "name": [symbol.name for symbol in build.symbols],
        "kind": [symbol.kind for symbol in build.symbols],
        "folder": [symbol.folder for symbol in build.symbols],
        "folders": build.folders,
        "moved": build.moved,
    }


def _packed(data: bytes) -> str:
    return base64.b64encode(zlib.compress(data, _LEVEL)).decode("ascii")


def json_in_script(data: object) -> str:
    """``data`` as JSON that may stand in a script element of HTML: no ``<``, ``>`` or ``&``, ASCII alone."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
