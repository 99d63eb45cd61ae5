"""Debug information in a file of its own, which the stripped one names (GDB manual, "Separate Debug Files").

The section ``.gnu_debuglink`` holds the file's name, zeros up to a multiple of four, and its CRC-32, that of zlib.
"""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.sections import MAX_SIZE, DebugSections, separate_name
from gemel.builds.elf.header import read_header
from gemel.builds.elf.sections import read_sections
from gemel.errors import GemelError

if TYPE_CHECKING:
    from gemel.builds.dwarf.split import Beside


def with_separate_file(debug: DebugSections, beside: Beside) -> DebugSections:
    """``debug``, or the sections of the file that it names, if that is next to it and is the one of this build."""
    try:
        link = separate_name(debug)
        source = beside(link[0]) if link else None
        if not link or source is None or source.size > MAX_SIZE:
            return debug
        if zlib.crc32(source.read(0, source.size)) != link[1]:
            return debug
        header, _, _ = read_header(source, link[0])
        return DebugSections(source, read_sections(source, header), header.section_names_index)
    except (GemelError, DwarfFault):
        return debug
