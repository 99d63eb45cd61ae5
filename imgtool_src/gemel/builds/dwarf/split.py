"""Split debug information: the units of ``.dwo`` files, which compilers leave next to their objects.

DWARF 5, sections 3.1.2, 3.1.3 and 7.3.2 (``-gsplit-dwarf``): a unit of the linked file names its other half, a file
whose sections have the same names with ``.dwo`` after them; both have one number.  Compilers of DWARF 4 write
the number and the name as attributes of their own (DW_AT_GNU_dwo_id, DW_AT_GNU_dwo_name).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.sections import SIZE_LIMIT, DebugData, DebugSections, read_named_sections
from gemel.builds.elf.header import read_header
from gemel.builds.elf.sections import read_sections
from gemel.errors import GemelError

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

Beside = Callable[[str], "ByteSource | None"]
"""A file next to the linked one, by the name that the linked one has for it; None if it is not there."""

FILES_LIMIT = 4096
"""Files that are read at most for one build."""

_WANTED = ("info.dwo", "abbrev.dwo", "str.dwo", "str_offsets.dwo", "types.dwo")


def read_halves(names: list[str], beside: Beside) -> Iterator[tuple[str, DebugData | str]]:
    """The other halves with these names, or why one cannot be read."""
    left = SIZE_LIMIT
    for number, name in enumerate(names):
        read = _read(name, beside, left) if number < FILES_LIMIT else f"more than {FILES_LIMIT} files"
        if not isinstance(read, str):
            left -= read.file_size
        yield name, read


def _read(name: str, beside: Beside, left: int) -> DebugData | str:
    try:
        source = beside(name)
        if source is None:
            return "not next to the ELF file"
        if source.size > left:
            return f"more than {SIZE_LIMIT:,} bytes in sum"
        header, _, _ = read_header(source, name)
        sections = DebugSections(source, read_sections(source, header), header.section_names_index)
        found = read_named_sections(sections, _WANTED)
    except DwarfFault as error:
        return str(error)
    except GemelError as error:
        return error.problems[0].what
    info, abbreviations, strings, offsets, types = (found.get(wanted, b"") for wanted in _WANTED)
    if not info or not abbreviations:
        return "without debug information (.debug_info.dwo)"
    return DebugData(source.size, info, abbreviations, strings, b"", offsets, types)
