"""The section headers of an ELF file: where symbols, notes and build attributes stand.

Sections are not needed to load a program, so whatever is wrong with them is returned as a reason and
never raised.  Layout of one section header (gABI, "Section Header"; 40 bytes, little-endian)::

    0  sh_name  u32    4  sh_type   u32   8  sh_flags u32   12 sh_addr      u32   16 sh_offset  u32
    20 sh_size  u32    24 sh_link   u32   28 sh_info  u32   32 sh_addralign u32   36 sh_entsize u32
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from gemel.builds.elf.header import HEADER_SIZE, SECTION_HEADER_SIZE, ElfHeader
from gemel.spans import ADDRESS_SPACE, Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

MAX_SECTIONS = 16_384
"""Section headers that are read at most; a linked program has some dozens."""

SYMBOL_TABLE = 2
STRING_TABLE = 3
NOTE = 7
NOBITS = 8
ARM_ATTRIBUTES = 0x7000_0003
_ALLOCATED, _THREAD_LOCAL = 0x2, 0x400
_ALLOCATED_CODE = _ALLOCATED | 0x4
_SECTION_HEADER = struct.Struct("<10I")


class SectionHeader(NamedTuple):
    """One section header as it stands in the file."""

    name: int
    type: int
    flags: int
    address: int
    offset: int
    size: int
    link: int
    info: int
    alignment: int
    entry_size: int

    @property
    def has_address(self) -> bool:
        """Whether it is in the program's memory, be it without a byte."""
        return bool(self.flags & _ALLOCATED)

    @property
    def allocated(self) -> bool:
        """Whether it is part of the program's memory, be it as a template of thread-local data."""
        return bool(self.has_address and self.size)

    @property
    def executable(self) -> bool:
        """Whether it holds instructions."""
        return bool(self.flags & 0x4)

    @property
    def thread_local(self) -> bool:
        """Whether it is a template of thread-local data, whose address may be that of what follows."""
        return bool(self.flags & _THREAD_LOCAL)

    @property
    def span(self) -> Span:
        """Its memory at run time, cut at the end of the address space."""
        return Span(self.address, min(self.size, ADDRESS_SPACE - self.address))

    @property
    def extent(self) -> tuple[int, int]:
        """(offset, size) of its bytes in the file."""
        return self.offset, self.size


class Sections(NamedTuple):
    """The section headers of a file; ``reason`` says why there are none."""

    headers: tuple[SectionHeader, ...]
    reason: str = ""

    def of_type(self, kind: int) -> list[SectionHeader]:
        """The sections of one type in the order of the file."""
        return [header for header in self.headers if header.type == kind]

    def code(self) -> dict[int, Span]:
        """The run span of each section of executable code, by section number."""
        return {
            index: Span(header.address, header.size)
            for index, header in enumerate(self.headers)
            if header.flags & _ALLOCATED_CODE == _ALLOCATED_CODE
        }


def read_sections(source: ByteSource, header: ElfHeader) -> Sections:
    """The section headers, or why they cannot be read."""
    at = header.section_headers_at
    if at == 0:
        return Sections((), "the file has no section headers")
    if header.section_header_size != SECTION_HEADER_SIZE:
        return Sections((), f"its section headers have {header.section_header_size} bytes each, not 40")
    if at < HEADER_SIZE or at + SECTION_HEADER_SIZE > source.size:
        return Sections((), "its section headers are outside the file (the file is cut)")
    count = header.section_header_count
    if count == 0:  # gABI: a count that does not fit 16 bits stands in sh_size of section 0
        count = int.from_bytes(source.read(at + 20, 4), "little")
    if count > MAX_SECTIONS:
        return Sections((), f"it has {count:,} section headers, more than {MAX_SECTIONS:,}")
    if at + count * SECTION_HEADER_SIZE > source.size:
        return Sections((), "its section headers reach past the end of the file (the file is cut)")
    table = source.read(at, count * SECTION_HEADER_SIZE)
    return Sections(tuple(SectionHeader._make(fields) for fields in _SECTION_HEADER.iter_unpack(table)))


def outside(section: SectionHeader, source: ByteSource) -> bool:
    """Whether bytes of ``section`` are past the end of the file."""
    return section.offset + section.size > source.size
