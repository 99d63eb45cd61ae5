"""Split debug information: the units of ``.dwo`` files, which compilers leave next to their objects.

DWARF 5, sections 3.1.2, 3.1.3 and 7.3.2 (``-gsplit-dwarf``): a unit of the linked file names its other half, a file
whose sections have the same names with ``.dwo`` after them; both have one number.  Compilers of DWARF 4 write
the number and the name as attributes of their own (DW_AT_GNU_dwo_id, DW_AT_GNU_dwo_name).  A package (``.dwp``)
holds the halves of one linked file, with an index by their numbers.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator

from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.sections import MAX_SIZE, DebugData, DebugSections, read_named_sections
from gemel.builds.elf.header import read_header
from gemel.builds.elf.sections import read_sections
from gemel.builds.source import ByteSource
from gemel.errors import GemelError

Beside = Callable[[str], "ByteSource | None"]
"""A file next to the linked one, by the name that the linked one has for it; None if it is not there."""

MAX_FILES = 4096
"""Files that are read at most for one build."""

ABSENT = "not next to the ELF file"

_WANTED = ("info.dwo", "abbrev.dwo", "str.dwo", "str_offsets.dwo", "types.dwo")


def read_halves(
    wanted: dict[str, set[int | None]], beside: Beside, packages: tuple[str, ...] = ()
) -> Iterator[tuple[str, set[int | None], DebugData | str]]:
    """The other halves with these names, and the numbers that each must have, or why one cannot be read.

    ``packages`` are names of files that may hold all of them, of which the first that is there is looked at.
    """
    package = next((name for name in packages if beside(name) is not None), "")
    packed = _read_package(package, beside) if package else {}
    left = MAX_SIZE
    for number, (name, numbers) in enumerate(wanted.items()):
        if not isinstance(packed, str) and numbers <= packed.keys():
            yield from ((name, {each}, packed[each]) for each in numbers)
            continue
        read = _read(name, beside, left) if number < MAX_FILES else f"more than {MAX_FILES} files"
        if not isinstance(read, str):
            left -= read.file_size
        elif package and read == ABSENT:
            reason = (
                f"which cannot be read ({packed})"
                if isinstance(packed, str)
                else "which is of another compilation"
            )
            read = f"{read}, and not in {package}, {reason}"
        yield name, numbers, read
    if not isinstance(packed, str):
        units: set[int | None] = set().union(*wanted.values())
        yield from (("", set(), data) for number, data in packed.items() if number not in units)


def _sections(
    name: str, beside: Beside, left: int, more: tuple[str, ...] = ()
) -> tuple[int, dict[str, bytes]] | str:
    """The size of a file and its sections; why not if it cannot be read."""
    try:
        source = beside(name)
        if source is None:
            return ABSENT
        if source.size > left:
            return f"more than {MAX_SIZE:,} bytes in sum"
        header, _, _ = read_header(source, name)
        sections = DebugSections(source, read_sections(source, header), header.section_names_index)
        return source.size, read_named_sections(sections, _WANTED + more)
    except DwarfFault as error:
        return str(error)
    except GemelError as error:
        return error.problems[0].what


def _read(name: str, beside: Beside, left: int) -> DebugData | str:
    read = _sections(name, beside, left)
    if isinstance(read, str):
        return read
    info, abbreviations, strings, offsets, types = (read[1].get(wanted, b"") for wanted in _WANTED)
    if not info or not abbreviations:
        return "without debug information (.debug_info.dwo)"
    return DebugData(read[0], info, abbreviations, strings, b"", offsets, types)


_INDEXES = ("cu_index", "tu_index")
_COLUMNS = {2: {1: "info.dwo", 2: "types.dwo", 3: "abbrev.dwo", 6: "str_offsets.dwo"}}
_COLUMNS[5] = {1: "info.dwo", 3: "abbrev.dwo", 6: "str_offsets.dwo"}
"""Which section each column of an index is for, by the index's version: 2 is that of DWARF 4."""


def _read_package(name: str, beside: Beside) -> dict[int | None, DebugData] | str:
    """The units of a package (.dwp; DWARF 5, section 7.3.5) by their numbers; why not if it cannot be read."""
    read = _sections(name, beside, MAX_SIZE, _INDEXES)
    if isinstance(read, str):
        return read
    size, sections = read
    found: dict[int | None, DebugData] = {}
    try:
        for index in _INDEXES:
            for number, spans in _rows(sections.get(index, b"")):
                piece = {
                    name: sections.get(name, b"")[at : at + length] for name, (at, length) in spans.items()
                }
                info, abbreviations, _, offsets, types = (piece.get(wanted, b"") for wanted in _WANTED)
                strings = sections.get("str.dwo", b"")
                found[number] = DebugData(
                    0 if found else size, info, abbreviations, strings, b"", offsets, types
                )
    except (struct.error, KeyError):
        return "its index of units breaks the format"
    return found or "without an index of units (.debug_cu_index)"


def _rows(index: bytes) -> Iterator[tuple[int, dict[str, tuple[int, int]]]]:
    """Each unit's number, and offset and size of what it has of the sections.

    The index: version (4 bytes; 2 and 2 of padding in DWARF 5), columns, units, slots; the slots' numbers (8 bytes)
    and rows (4; 0: none), the columns' sections, the offsets row by row, the sizes row by row.
    """
    if not index:
        return
    version, columns, units, slots = struct.unpack_from("<IIII", index)
    names = _COLUMNS[version & 0xFFFF]
    rows, table = 16 + 8 * slots, 16 + 12 * slots
    if table + 4 * columns * (1 + 2 * units) > len(index):
        raise struct.error
    sections = struct.unpack_from(f"<{columns}I", index, table)
    for slot in range(slots):
        (number,) = struct.unpack_from("<Q", index, 16 + 8 * slot)
        (row,) = struct.unpack_from("<I", index, rows + 4 * slot)
        if row:
            offsets = struct.unpack_from(f"<{columns}I", index, table + 4 * columns * row)
            sizes = struct.unpack_from(f"<{columns}I", index, table + 4 * columns * (row + units))
            spans = zip(sections, offsets, sizes, strict=True)
            yield number, {names[section]: (at, size) for section, at, size in spans if section in names}
