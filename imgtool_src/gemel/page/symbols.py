"""The symbols of the builds, in columns, and the folders of the sources they come from."""

from __future__ import annotations

import posixpath
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from heapq import nsmallest

from gemel.builds.build import Build
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import starts_of
from gemel.structs import NamedTuple, Struct, replace
from gemel.text.escaping import on_one_line

MAX_NAME = 200
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

    def sized(self) -> Iterable[PageSymbol]:
        """The symbols that take bytes, each place once: the largest there, and of these the first by name."""
        kept: dict[int, PageSymbol] = {}
        for each in self.symbols:
            if each.size and (each.start not in kept or each.size > kept[each.start].size):
                kept[each.start] = each
        return kept.values()

    def largest(self, count: int) -> list[PageSymbol]:
        """The symbols that take the most bytes, each place once."""
        return nsmallest(count, self.sized(), key=lambda each: (-each.size, each))


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
    for address, size, kind, text in build.symbols.place_rows() if build.symbols else ():
        at = bisect_right(bounds, address) - 1
        if at < 0 or address >= windows[at][1]:
            continue
        start = address - windows[at][0] + windows[at][2]
        at = bisect_right(starts, address) - 1
        folder = sources[at][2] if at >= 0 and address < sources[at][1] else ""
        number = numbers.setdefault(folder, len(numbers))
        kept.append(PageSymbol(start, size, on_one_line(text[:MAX_NAME]), KINDS.index(kind), number))
    kept.sort()
    folders = tuple(on_one_line(folder) or NO_FOLDER for folder in numbers)
    own = BuildSymbols(name, kept, folders, (), tuple(_moved(inspection, name, windows)), why)
    return replace(own, uses=_folder_uses(inspection, own))


def _folder_uses(inspection: Inspection, own: BuildSymbols) -> tuple[FolderUse, ...]:
    """What each folder takes, each place counted once, the largest first; what is copied to RAM takes flash too."""
    ram = [memory.span for memory in inspection.layout.memories.values() if memory.kind == "ram"]
    uses = [[0, 0] for _ in own.folders]
    for start, size, _, _, folder in own.sized():
        in_ram = any(span.start <= start < span.end for span in ram)
        if in_ram:
            uses[folder][1] += size
        if not in_ram or any(run <= start < run + count for run, _, count in own.moved):
            uses[folder][0] += size
    rows = [FolderUse(name, *use) for name, use in zip(own.folders, uses, strict=True) if any(use)]
    return tuple(sorted(rows, key=lambda row: (-row.flash - row.ram, row.name)))


def _windows(inspection: Inspection, name: str) -> list[tuple[int, int, int]]:
    """Start and end of each memory as the build's core sees it, and its plain start; by start."""
    core = inspection.layout.builds[name].core
    return sorted(
        (start, start + memory.size, memory.start)
        for memory in inspection.layout.memories.values()
        for start in starts_of(memory, core)
    )


def _moved(
    inspection: Inspection, name: str, windows: list[tuple[int, int, int]]
) -> Iterator[tuple[int, int, int]]:
    for piece in inspection.placements[name].pieces:
        run = piece.segment.run_address
        plain = next((run - start + main for start, end, main in windows if start <= run < end), None)
        if plain is not None and plain != piece.address:
            yield plain, piece.address, len(piece.segment.data)


def _folder_ranges(build: Build) -> tuple[list[tuple[int, int, str]], str]:
    """Ranges of run addresses with the folder of their source, below what all sources have in common."""
    if build.debug is None:
        return [], "the file has no debug information"
    found = build.debug.unit_sources()
    if not found.ranges:
        return [], found.damaged or "its debug information does not give the addresses of its units"
    paths = {path for _, _, path in found.ranges if path}
    folders = {path: posixpath.dirname(path) or "." for path in paths}
    try:
        common = posixpath.commonpath(folders.values()) if folders else ""
    except ValueError:  # some are absolute, some are not
        common = ""
    top = posixpath.basename(common)
    named = {
        path: posixpath.join(top, folder[len(common) :].lstrip("/")).rstrip("/") or "."
        for path, folder in folders.items()
    }
    return [(start, end, named.get(path, "")) for start, end, path in found.ranges], ""
