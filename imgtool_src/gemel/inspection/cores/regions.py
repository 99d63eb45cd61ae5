"""The memory of one core as a linker needs it: which areas its builds may use, where the core sees them, and how.

``regions_id`` names that by four bytes, so that a build can carry from which description of the memory it was made.
"""

from __future__ import annotations

import hashlib
from typing import Literal

from gemel.checksums.in_layout import checksum_size
from gemel.layout.addresses import seen_by
from gemel.layout.model import AreaPlace, Layout, Stamp
from gemel.spans import Span
from gemel.structs import Struct

RegionAccess = Literal["rx", "rwx", "rw"]

ID_SYMBOL = "gemel_regions_id"
"""The absolute symbol that a linker fragment defines: the first four bytes of the digest, as a number."""


class Region(Struct):
    """An area that a core's builds use: its name as an identifier that linkers take, and where the core sees it.

    ``written`` are bytes at its end that a join writes; they are not part of ``span``.
    """

    name: str
    span: Span
    permissions: RegionAccess
    purpose: str
    written: int


def regions_of(layout: Layout, core: str) -> tuple[Region, ...]:
    """The regions of a core, by the order of the areas in the layout."""
    permissions: dict[str, RegionAccess] = {}
    for plan in layout.builds.values():
        if plan.core == core:
            permissions |= dict.fromkeys((plan.stored_in, *plan.also_stored_in), "rx")
            permissions |= {plan.runs_in: "rwx"} if plan.runs_in else {}
    for owned in layout.cores[core].ram:
        permissions.setdefault(owned, "rwx")
    regions = []
    for area in layout.areas.values():
        if area.purpose == "shared":
            permissions.setdefault(area.name, "rw")
        if area.name in permissions:
            plain = layout.span_of(area.name)
            written = written_at_end(layout, area.name)
            span = Span(seen_by(layout, plain.start, core), plain.size - written)
            regions.append(
                Region(_region_name(area.name), span, permissions[area.name], area.purpose, written)
            )
    return tuple(regions)


_WORDS_OF_LINKERS = (
    " ABSOLUTE ADDR ALIGN ALIGNOF ALIGN_WITH_INPUT ASSERT AT BIND BLOCK CONSTANT DATA_SEGMENT_ALIGN DATA_SEGMENT_END"
    " DEFINED ENTRY EXTERN FLOAT FORCE_COMMON_ALLOCATION GROUP HIDDEN HLL INCLUDE INPUT LD_FEATURE LENGTH LOADADDR"
    " LOG2CEIL MAP MAX MEMORY MIN NEXT NOCROSSREFS NOFLOAT ONLY_IF_RO ONLY_IF_RW ORIGIN OUTPUT OUTPUT_ARCH"
    " OUTPUT_FORMAT OVERLAY PHDRS PROVIDE PROVIDE_HIDDEN REGION_ALIAS SEARCH_DIR SECTIONS SEGMENT_START SIZEOF"
    " SIZEOF_HEADERS SPECIAL STARTUP SUBALIGN SYSLIB TARGET VERSION l len o org "
)
"""Words that GNU ld takes for its own where the name of a region is expected."""


def _region_name(area: str) -> str:
    """The name of an area's region; a word of the linker's own gets ``_`` after it."""
    name = identifier(area)
    return f"{name}_" if f" {name} " in _WORDS_OF_LINKERS else name


def written_at_end(layout: Layout, area: str) -> int:
    """Bytes at the end of an area that stamps and checksums take by their place in it."""
    end = size = layout.areas[area].size
    places = [
        (item.at.offset, item.width if isinstance(item, Stamp) else checksum_size(item))
        for item in layout.written
        if isinstance(item.at, AreaPlace) and item.at.area == area
    ]
    for offset, width in sorted(places, reverse=True):
        if offset + width == end:
            end = offset
    return size - end


def identifier(name: str) -> str:
    """A name of the layout as an identifier of C, Rust or a linker script; a leading digit gets ``_`` before it."""
    changed = name.replace("-", "_")
    return f"_{changed}" if changed[:1].isdigit() else changed


def regions_id(layout: Layout, core: str) -> int:
    """The first 32 bits of SHA-256 over a line for each region: name, start, size, permissions."""
    lines = "".join(
        f"{region.name} {region.span.start} {region.span.size} {region.permissions}\n"
        for region in regions_of(layout, core)
    )
    return int.from_bytes(hashlib.sha256(lines.encode()).digest()[:4], "big")
