"""Which source file each address comes from, as whole units show: much less to read than line programs.

The table of a unit's addresses (DWARF 5, section 6.1.2, ``.debug_aranges``)::

    length 4 | version 2 | offset in .debug_info 4 | address size 1 | segment size 1 | to a multiple of two addresses
    { address 4 | length 4 } 0 0

A unit without such a table gives its addresses by DW_AT_low_pc and DW_AT_high_pc (section 2.17), if they are one range.
Variables of a whole unit are where their DW_AT_location (section 2.6), one DW_OP_addr, says.
"""

from __future__ import annotations

import posixpath
import struct
from bisect import bisect_right
from collections.abc import Iterator

from gemel.builds.dwarf.constants import At, Form, Tag
from gemel.builds.dwarf.entries import DieOffset, Entries
from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.sections import DebugSections, read_debug_sections, read_named_sections
from gemel.structs import NamedTuple

_HEADER = struct.Struct("<IHIBB")
_RANGE = struct.Struct("<II")
_FIRST_RANGE = 16
"""Bytes from a table's start to its first range, for addresses of 4 bytes."""

_OP_ADDR = 0x03

MAX_MAKERS = 10_000
"""Units whose makers are read; large programs have some thousand."""

_DAMAGE = (DwarfFault, LookupError, ValueError, OverflowError, struct.error)


class UnitSources(NamedTuple):
    """Ranges (start, end, source path) by start; of a variable only its first byte.

    ``damaged`` says what could not be read, empty if all was.
    """

    ranges: list[tuple[int, int, str]]
    damaged: str

    def at(self, address: int) -> str:
        """The path of the source whose unit holds ``address``; empty where no unit is known to."""
        index = bisect_right(self.ranges, (address, 1 << 33, "")) - 1
        if index < 0:
            return ""
        start, end, path = self.ranges[index]
        return path if start <= address < end else ""


class UnitMakers(NamedTuple):
    """Producer and source path of each unit; ``damaged`` says what could not be read, empty if all was."""

    units: list[tuple[str, str]]
    damaged: str


def read_unit_sources(debug: DebugSections) -> UnitSources:
    """The sources of a file's units; no ranges, and why, where it has none that can be read."""
    try:
        entries = Entries(read_debug_sections(debug))
        table = read_named_sections(debug, ("aranges",)).get("aranges", b"")
    except _DAMAGE as error:
        return UnitSources([], str(error))
    ranges: list[tuple[int, int, str]] = []
    damaged = ""
    try:
        known = _ranges_by_unit(table)
    except _DAMAGE as error:
        known, damaged = {}, f"its table of addresses is damaged ({error})"
    for unit in entries.units:
        try:
            place = entries.at(unit.entries)
            if place.abbreviation.tag != Tag.COMPILE_UNIT:
                continue
            path = _path(entries, place)
            found = [*(known.get(unit.start) or _own_range(entries, place)), *_variables(entries, place)]
        except _DAMAGE as error:
            damaged = f"the unit at offset {unit.start:#x} is damaged ({error})"
            continue
        ranges += [(start, start + size, path) for start, size in found if size]
    return UnitSources(sorted(ranges), damaged)


def read_unit_makers(debug: DebugSections) -> UnitMakers:
    """Who made a file's units from what; none, and why, where it has none that can be read."""
    try:
        entries = Entries(read_debug_sections(debug))
    except _DAMAGE as error:
        return UnitMakers([], str(error))
    found: list[tuple[str, str]] = []
    damaged = ""
    if len(entries.units) > MAX_MAKERS:
        damaged = f"of {len(entries.units):,} units the first {MAX_MAKERS:,} were read"
    for unit in entries.units[:MAX_MAKERS]:
        try:
            read = entries.read(entries.at(unit.entries))
            name, folder, producer = (
                entries.text_in(read, each) for each in (At.NAME, At.COMP_DIR, At.PRODUCER)
            )
        except _DAMAGE as error:
            damaged = f"the unit at offset {unit.start:#x} is damaged ({error})"
            continue
        path = name if name.startswith("/") or not folder else f"{folder}/{name}"
        found.append((producer, path.replace("\\", "/")))
    return UnitMakers(found, damaged)


def _ranges_by_unit(table: bytes) -> dict[int, list[tuple[int, int]]]:
    found: dict[int, list[tuple[int, int]]] = {}
    at = 0
    while at + _FIRST_RANGE <= len(table):
        length, version, unit, address_size, segment_size = _HEADER.unpack_from(table, at)
        end = at + 4 + length
        if version != 2 or end > len(table):
            raise DwarfFault(f"no table of version 2 at offset {at:#x}")
        if address_size == 4 and segment_size == 0:
            ranges = table[at + _FIRST_RANGE : end]
            pairs = _RANGE.iter_unpack(ranges[: len(ranges) - len(ranges) % _RANGE.size])
            found.setdefault(unit, []).extend(pair for pair in pairs if pair != (0, 0))
        at = end
    return found


def _own_range(entries: Entries, place: DieOffset) -> list[tuple[int, int]]:
    values = entries.read(place).values
    low, high = values.get(At.LOW_PC), values.get(At.HIGH_PC)
    if place.abbreviation.forms.get(At.LOW_PC) != Form.ADDR or not (
        isinstance(low, int) and isinstance(high, int)
    ):
        return []
    size = high - low if place.abbreviation.forms[At.HIGH_PC] == Form.ADDR else high
    return [(low, size)] if size > 0 else []


def _variables(entries: Entries, place: DieOffset) -> Iterator[tuple[int, int]]:
    """The first byte of each variable at a fixed address that is directly in a unit."""
    data = entries.joined
    for child in entries.children(place):
        abbreviation = child.abbreviation
        if abbreviation.tag == Tag.VARIABLE and At.LOCATION in abbreviation.forms:
            if (at := abbreviation.location_at) >= 0:
                at += child.attributes
                location: object = data[at + 1 : at + 1 + data[at]]
            else:
                location = abbreviation.read(data, child.attributes)[0].get(At.LOCATION)
            if isinstance(location, bytes) and len(location) == 5 and location[0] == _OP_ADDR:
                yield int.from_bytes(location[1:], "little"), 1


def _path(entries: Entries, place: DieOffset) -> str:
    name = entries.name(place)
    folder = entries.text(entries.text_key(place, At.COMP_DIR))
    return posixpath.normpath(posixpath.join(folder, name)) if name else ""
