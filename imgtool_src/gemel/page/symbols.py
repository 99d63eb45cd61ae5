"""The symbols of the builds, in columns, and the folders of the sources they come from."""

from __future__ import annotations

import posixpath
from bisect import bisect_right
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import starts_of
from gemel.structs import NamedTuple, Struct
from gemel.text.escaping import on_one_line

if TYPE_CHECKING:
    from gemel.builds.build import Build

LONGEST_NAME = 200
"""Characters of a name that are kept."""

KINDS = ("object", "function", "notype", "common")
"""The kinds of symbols that stand for a place, by the number that the page has for them."""

NO_FOLDER = "source not known"


class PageSymbol(NamedTuple):
    """One symbol at its plain run address; ``folder`` is a number of ``BuildSymbols.folders``."""

    start: int
    size: int
    name: str
    kind: int
    folder: int


class FolderUse(Struct):
    """What the sources of one folder take: bytes of symbols that are stored in flash, and that take RAM."""

    name: str
    flash: int
    ram: int


class BuildSymbols(Struct):
    """The symbols of one build by plain run address.

    ``moved`` are (plain run address, plain stored address, bytes) of what runs elsewhere than it is stored;
    ``why_no_folders`` is empty where debug information names the sources.
    """

    build: str
    symbols: list[PageSymbol]
    folders: tuple[str, ...]
    uses: tuple[FolderUse, ...]
    moved: tuple[tuple[int, int, int], ...]
    why_no_folders: str

    def largest(self, count: int) -> list[PageSymbol]:
        """The symbols that take the most bytes, each place once."""
        kept: dict[int, PageSymbol] = {}
        for each in sorted(self.symbols, key=lambda symbol: -symbol.size)[: 4 * count]:
            kept.setdefault(each.start, each)
        return [each for each in kept.values() if each.size][:count]


def build_symbols(inspection: Inspection) -> tuple[BuildSymbols, ...]:
    """The symbols of every build of the layout whose file was given and has some."""
    return tuple(
        _of_build(inspection, name, build)
        for name in inspection.layout.builds
        if (build := inspection.builds.get(name)) and build.symbols
    )


def _of_build(inspection: Inspection, name: str, build: Build) -> BuildSymbols:
    windows = _windows(inspection, name)
    bounds = [window[0] for window in windows]
    sources, why = _folder_ranges(build)
    starts = [each[0] for each in sources]
    numbers: dict[str, int] = {"": 0}
    kept: list[PageSymbol] = []
    uses: dict[int, list[int]] = {0: [0, 0]}
    counted: set[int] = set()
    moved = tuple(_moved(inspection, name, windows))
    for symbol in build.symbols.all() if build.symbols else ():
        if symbol.kind not in KINDS or not symbol.defined or not symbol.name or symbol.mapping:
            continue
        address = symbol.address
        at = bisect_right(bounds, address) - 1
        if at < 0 or address >= windows[at][1]:
            continue
        start = address - windows[at][0] + windows[at][2]
        at_source = bisect_right(starts, address) - 1
        folder = sources[at_source][2] if at_source >= 0 and address < sources[at_source][1] else ""
        number = numbers.setdefault(folder, len(numbers))
        text = symbol.name[:LONGEST_NAME]
        kept.append(PageSymbol(start, symbol.size, on_one_line(text), KINDS.index(symbol.kind), number))
        if symbol.size and start not in counted:
            counted.add(start)
            use = uses.setdefault(number, [0, 0])
            is_ram = windows[at][3]
            use[1 if is_ram else 0] += symbol.size
            if is_ram and any(run <= start < run + size for run, _, size in moved):
                use[0] += symbol.size
    kept.sort()
    folders = tuple(on_one_line(folder) or NO_FOLDER for folder in numbers)
    rows = [FolderUse(folders[number], *use) for number, use in uses.items() if any(use)]
    rows.sort(key=lambda row: (-row.flash - row.ram, row.name))
    return BuildSymbols(name, kept, folders, tuple(rows), moved, why)


def _windows(inspection: Inspection, name: str) -> list[tuple[int, int, int, bool]]:
    """Start and end of each memory as the build's core sees it, its plain start, whether it is RAM; by start."""
    core = inspection.layout.builds[name].core
    return sorted(
        (start, start + memory.size, memory.start, memory.kind == "ram")
        for memory in inspection.layout.memories.values()
        for start in starts_of(memory, core)
    )


def _moved(
    inspection: Inspection, name: str, windows: list[tuple[int, int, int, bool]]
) -> Iterator[tuple[int, int, int]]:
    for piece in inspection.placements[name].pieces:
        run = piece.segment.run_address
        plain = next((run - start + main for start, end, main, _ in windows if start <= run < end), None)
        if plain is not None and plain != piece.address:
            yield plain, piece.address, len(piece.segment.data)


def _folder_ranges(build: Build) -> tuple[list[tuple[int, int, str]], str]:
    """Ranges of run addresses with the folder of their source, below what all sources have in common."""
    if build.debug is None:
        return [], "the file has no debug information"
    found = build.debug.unit_sources()
    if not found.ranges:
        return [], found.damaged or "its debug information does not give the addresses of its units"
    folders = {path: posixpath.dirname(path) or "." for _, _, path in found.ranges if path}
    try:
        common = posixpath.commonpath(folders.values()) if folders else ""
    except ValueError:  # some are absolute, some are not
        common = ""
    short = (
        {path: posixpath.relpath(folder, common or ".") for path, folder in folders.items()}
        if common
        else folders
    )
    last = posixpath.basename(common)
    named = {path: posixpath.normpath(posixpath.join(last, folder)) for path, folder in short.items()}
    return [(start, end, named.get(path, "")) for start, end, path in found.ranges], ""
