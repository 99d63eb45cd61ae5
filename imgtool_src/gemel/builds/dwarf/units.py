"""Units: the pieces of ``.debug_info``, one for each source file, and of ``.debug_types``.

DWARF 5, section 7.5.1.  A unit begins with (sizes in bytes, ``o`` is 4, or 8 after the escape
``FFFF_FFFF``)::

    length 4 or 4 + 8 | version 2 | version 2 to 4: abbreviations o, address size 1
                                  | version 5:      kind 1, address size 1, abbreviations o
    of a type unit also: signature 8, offset of the type o
    of a skeleton or split unit of version 5: id 8
"""

from __future__ import annotations

from gemel.builds.dwarf.abbreviations import Abbreviation, KnownAbbreviations, Sizes, read_table, uleb
from gemel.builds.dwarf.constants import SKELETON_UNIT, SPLIT_COMPILE_UNIT, SPLIT_TYPE_UNIT, TYPE_UNIT, At
from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.sections import DebugData
from gemel.structs import Struct

VERSIONS = range(2, 6)
MAX_TABLES = 4
"""How often ``.debug_abbrev`` is read at most, in sum: tables that overlap take more."""

_ESCAPE = 0xFFFF_FFFF
_RESERVED = 0xFFFF_FFF0


class Unit(Struct):
    """One unit; offsets count from the start of the joined debug data.

    ``entries`` is the offset of its first entry, ``string_offsets`` where its part of the table of string
    offsets starts (DWARF 5), ``signature`` and ``type`` name the type of a type unit, ``split`` says that
    its entries are in another file, and ``half`` is the number that both halves have.  ``file`` and ``strings`` are
    where the data and the texts of its own file start in what is joined of several.
    """

    start: int
    end: int
    entries: int
    sizes: Sizes
    abbreviations: dict[int, Abbreviation]
    string_offsets: int
    signature: int | None
    type: int
    split: bool
    half: int | None
    file: int = 0
    strings: int = 0

    def abbreviation(self, data: bytes, at: int) -> tuple[Abbreviation | None, int]:
        """The kind of the entry at ``at`` and where its attributes start; None for the end of a list."""
        code = data[at]
        at += 1
        if code >= 0x80:
            code, at = uleb(data, at - 1)
        if code == 0:
            return None, at
        found = self.abbreviations.get(code)
        if found is None:
            raise DwarfFault(f"the entry at offset {at - 1:#x} has an abbreviation that its unit has not")
        return found, at


def read_units(data: DebugData, joined: bytes, known: KnownAbbreviations) -> list[Unit]:
    """All units; ``joined`` is ``.debug_info`` and after it ``.debug_types``; ``known`` grows."""
    tables: dict[tuple[int, Sizes], dict[int, Abbreviation]] = {}
    known.bytes_read = 0
    units: list[Unit] = []
    at = 0
    while at < len(joined):
        unit = _read_unit(data, joined, at, at >= len(data.info), tables, known)
        units.append(unit)
        at = unit.end
    return units


def _read_unit(
    data: DebugData,
    joined: bytes,
    start: int,
    of_types: bool,
    tables: dict[tuple[int, Sizes], dict[int, Abbreviation]],
    known: KnownAbbreviations,
) -> Unit:
    limit = len(joined) if of_types else len(data.info)
    length, offset_size, at = _number(joined, start, 4), 4, start + 4
    if length == _ESCAPE:
        length, offset_size, at = _number(joined, at, 8), 8, at + 8
    elif length >= _RESERVED:
        raise DwarfFault(f"the unit at offset {start:#x} has a reserved length")
    end = at + length
    if end > limit:
        raise DwarfFault(f"the unit at offset {start:#x} reaches past the end of its section")
    version = _number(joined, at, 2)
    at += 2
    if version not in VERSIONS:
        raise DwarfFault(f"the unit at offset {start:#x} is of DWARF version {version}")
    kind, signature, type_at, half = (TYPE_UNIT if of_types else 0), None, 0, None
    if version == 5:
        kind, address_size = joined[at], joined[at + 1]
        abbreviations_at = _number(joined, at + 2, offset_size)
        at += 2 + offset_size
    else:
        abbreviations_at, address_size = _number(joined, at, offset_size), joined[at + offset_size]
        at += offset_size + 1
    if address_size not in (4, 8):
        raise DwarfFault(f"the unit at offset {start:#x} has addresses of {address_size} bytes")
    if kind in (TYPE_UNIT, SPLIT_TYPE_UNIT):
        signature = _number(joined, at, 8)
        type_at = start + _number(joined, at + 8, offset_size)
        at += 8 + offset_size
    elif kind in (SKELETON_UNIT, SPLIT_COMPILE_UNIT):
        half = _number(joined, at, 8)
        at += 8
    sizes = Sizes(version, offset_size, address_size)
    key = abbreviations_at, sizes
    if key not in tables:
        tables[key], tables_end = read_table(data.abbreviations, abbreviations_at, sizes, known)
        known.bytes_read += tables_end - abbreviations_at
        if known.bytes_read > MAX_TABLES * len(data.abbreviations):
            raise DwarfFault("its tables of abbreviations overlap")
    table = tables[key]
    first = _first_entry(joined, at, end, table)
    strings = first.get(At.STR_OFFSETS_BASE)
    if strings is None:
        strings = 2 * offset_size if kind in (SPLIT_COMPILE_UNIT, SPLIT_TYPE_UNIT) else 0
    split = kind == SKELETON_UNIT or At.DWO_NAME in first or At.GNU_DWO_NAME in first
    return Unit(
        start, end, at, sizes, table, strings, signature, type_at, split, first.get(At.GNU_DWO_ID, half)
    )


_OF_UNITS = frozenset((At.STR_OFFSETS_BASE, At.DWO_NAME, At.GNU_DWO_NAME, At.GNU_DWO_ID))


def _first_entry(joined: bytes, at: int, end: int, table: dict[int, Abbreviation]) -> dict[int, int]:
    """The attributes of a unit's first entry that concern all of it, as far as they are numbers."""
    if at >= end:
        return {}
    code, at = uleb(joined, at)
    found = table.get(code)
    if found is None or _OF_UNITS.isdisjoint(found.forms):
        return {}
    return {
        name: value if isinstance(value, int) else 0
        for name, value in found.read(joined, at)[0].items()
        if name in _OF_UNITS
    }


def _number(data: bytes, at: int, size: int) -> int:
    field = data[at : at + size]
    if len(field) < size:
        raise DwarfFault(f"the header of the unit at the end of the debug information is cut (at {at:#x})")
    return int.from_bytes(field, "little")
