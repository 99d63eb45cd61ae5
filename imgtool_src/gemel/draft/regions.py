"""Regions of memory that linker scripts name: from symbols of a build, and from the memory table of a link map.

Scripts often give names to where a region starts and how long it is: ``__flash_start`` with ``__flash_size``,
``_ram_origin`` with ``_ram_length``, ``__RAM_END`` (common practice), or ``__flash`` alone for the start with
``__flash_size``, as picolibc's script does.  Two of start, size and end make a region.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from gemel.draft.evidence import Evidence
from gemel.spans import ADDRESS_SPACE, Span, format_address
from gemel.structs import NamedTuple

MAX_MAP_BYTES = 256 << 20
"""Bytes of a link map that are read at most."""

MIN_SIZE = 256
"""Bytes; a smaller region is no memory that code is linked for."""

_EDGES = {
    **dict.fromkeys(("start", "origin", "org", "base", "begin"), "start"),
    **dict.fromkeys(("size", "length", "len"), "size"),
    **dict.fromkeys(("end", "top", "limit"), "end"),
}
_NAME = re.compile(r"[a-z0-9_]+")
_WORD = re.compile("flash|rom|ram|ccm|tcm|xip")
_PART = re.compile(r"(^|_)(stack|heap|data|bss|text|vector|vectors|code|stub|func|sect|section)s?(_|$)")
"""Parts of names that mean what is in a region, not the region."""

_FLASH = re.compile("flash|rom|xip|code|text", re.IGNORECASE)
_TABLE = re.compile(r"^Memory Configuration\s*$", re.MULTILINE)
_ROW = re.compile(r"^(\S+)\s+0x([0-9a-fA-F]{1,16})\s+0x([0-9a-fA-F]{1,16})(?:\s+\S+)?\s*$")
_USAGE = re.compile(
    r"^[ \t]*Memory region\s+Used Size\s+Region Size\s+%age Used\s*$", re.MULTILINE | re.IGNORECASE
)
_USED = re.compile(r"^\s*(\S+?):\s+(\d+)\s*(B|KB|MB|GB)\s+(\d+)\s*(B|KB|MB|GB)\s+[\d.]+%\s*$")
_UNITS = {"B": 1, "KB": 1 << 10, "MB": 1 << 20, "GB": 1 << 30}
_LLD_HEAD = re.compile(r"^[ \t]*VMA\s+LMA\s+Size\s+Align\s+Out\s+In\s+Symbol\s*$", re.MULTILINE)


class LinkRegion(NamedTuple):
    """A region, in words where it comes from, and the build whose linker script names it (empty: of all)."""

    span: Span
    source: str
    build: str = ""


class LinkMap(NamedTuple):
    """The memory table of a link map: regions by name, and sizes of regions whose start it does not state."""

    file: str
    regions: dict[str, Span]
    sizes: dict[str, int]
    reason: str = ""
    """Why it has none; empty where it has."""


def read_link_map(text: str, file: str) -> LinkMap:
    """The memory table of a map by GNU ld ("Memory Configuration"), or of ``--print-memory-usage`` (both linkers).

    A map by lld has no such table of its own; its reason says so.
    """
    regions: dict[str, Span] = {}
    sizes: dict[str, int] = {}
    if found := _TABLE.search(text):
        for line in text[found.end() :].lstrip().splitlines()[1:]:
            row = _ROW.match(line)
            if not row:
                if line.strip():
                    break
                continue
            start, size = int(row[2], 16), int(row[3], 16)
            if row[1] != "*default*" and size >= MIN_SIZE and start + size <= ADDRESS_SPACE:
                regions[row[1]] = Span(start, size)
    if found := _USAGE.search(text):
        for line in text[found.end() :].strip("\r\n").splitlines():
            row = _USED.match(line)
            if not row:
                break
            if (size := int(row[4]) * _UNITS[row[5].upper()]) >= MIN_SIZE:
                sizes[row[1]] = size
    reason = "" if regions or sizes else _reason(text)
    return LinkMap(file, regions, sizes, reason)


def _reason(text: str) -> str:
    if _LLD_HEAD.search(text):
        return "a map by lld, which holds no memory table"
    if _TABLE.search(text):
        return "its memory table names no region: the linker script has no MEMORY command"
    return "no memory table in it"


def regions_of_map(link_map: LinkMap, all_seen: Iterable[Evidence]) -> list[LinkRegion]:
    """The regions of a map for the builds that were linked with it; ``all_seen`` are these builds.

    A region of which the map states the size alone begins at the lowest address that a build uses of it.
    """
    found = []
    for seen in all_seen:
        starts = {
            "flash": min((span.start for span in seen.stored), default=None),
            "ram": min((span.start for span in seen.ram), default=None),
        }
        known = dict(link_map.regions)
        for name, size in link_map.sizes.items():
            kind = "ram" if "ram" in name.lower() else "flash" if _FLASH.search(name) else ""
            start = starts.get(kind)
            if name not in known and start is not None and start + size <= ADDRESS_SPACE:
                known[name] = Span(start, size)
        found += [
            LinkRegion(span, f"region {name} of {link_map.file}", seen.name) for name, span in known.items()
        ]
    return found


def regions_by_symbols(seen: Evidence) -> list[LinkRegion]:
    """Regions that a build's symbols give start and size of, by name."""
    edges: dict[str, dict[str, tuple[int, str]]] = {}
    for symbol in seen.build.all_symbols:
        if not symbol.defined or symbol.kind not in ("notype", "object") or symbol.mapping:
            continue
        name, edge = _region_and_edge(symbol.name)
        if not edge and symbol.kind == "notype" and _WORD.fullmatch(name):
            edge = "itself"
        if edge and not _PART.search(name):
            edges.setdefault(name, {}).setdefault(edge, (symbol.value, symbol.name))
    return [region for name in sorted(edges) if (region := _region(edges[name], seen.name))]


def _region_and_edge(symbol: str) -> tuple[str, str]:
    """``ram`` and ``start`` of ``__RAM_start``; no edge where a name is none of a region's."""
    name = symbol.lower().strip("_")
    word = next((each for each in _EDGES if name.endswith(each)), "")
    region = name.removesuffix(word).strip("_")
    return region, _EDGES[word] if word and _WORD.search(region) and _NAME.fullmatch(region) else ""


def _region(edges: dict[str, tuple[int, str]], build: str) -> LinkRegion | None:
    start, size, end = (edges.get(edge) for edge in ("start", "size", "end"))
    start = start or edges.get("itself")
    if start is None and size and end:
        start = end[0] - size[0], end[1]
    if start is None or not (size or end):
        return None
    length = size[0] if size else end[0] - start[0] if end else 0
    if length < MIN_SIZE or not 0 <= start[0] <= ADDRESS_SPACE - length:
        return None
    names = " and ".join(dict.fromkeys([start[1], (size or end or start)[1]]))
    return LinkRegion(Span(start[0], length), f"symbols {names} of {build}", build)


def region_for(regions: Iterable[LinkRegion], build: str, span: Span) -> LinkRegion | None:
    """The smallest region of ``build`` that covers ``span``; empty: of any build."""
    fit = [each for each in regions if (not build or each.build in ("", build)) and each.span.covers(span)]
    return min(fit, key=lambda each: each.span.size, default=None)


def words_of(region: LinkRegion) -> str:
    """Where a region comes from and what it is."""
    return f"{region.source}: {format_address(region.span.start)}..{format_address(region.span.last)}"
