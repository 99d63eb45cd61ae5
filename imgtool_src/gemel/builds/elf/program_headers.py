"""The program headers of an ELF file.

Layout of one program header (gABI, "Program Header"; 32 bytes, little-endian)::

    0  p_type   u32  1: loadable            4  p_offset u32  where its bytes stand in the file
    8  p_vaddr  u32  run address            12 p_paddr  u32  load address (linker convention)
    16 p_filesz u32  bytes in the file      20 p_memsz  u32  bytes at run time, not below p_filesz
    24 p_flags  u32  4 read, 2 write, 1 run 28 p_align  u32
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.elf.header import (
    COUNT_ELSEWHERE,
    EXECUTABLE,
    HEADER_SIZE,
    PROGRAM_HEADER_SIZE,
    SECTION_HEADER_SIZE,
    ElfHeader,
)
from gemel.errors import Problem
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

MAX_PROGRAM_HEADERS = 1024
"""More program headers than this are refused; linked programs have fewer than 20."""

LOADABLE = 1
NOTE = 4
_PROGRAM_HEADER = struct.Struct("<8I")


class ProgramHeader(NamedTuple):
    """One program header as it stands in the file, and its number."""

    type: int
    offset: int
    run_address: int
    load_address: int
    file_size: int
    memory_size: int
    flags: int
    alignment: int
    number: int


def read_program_headers(
    source: ByteSource, header: ElfHeader, file: str
) -> tuple[list[ProgramHeader], list[Problem]]:
    """The program headers and what keeps them from being read; on any problem the list is empty."""
    count, problems = _count(source, header, file)
    if not problems:
        problems = list(_table_problems(count, source.size, header, file))
    if problems:
        return [], problems
    table = source.read(header.program_headers_at, count * PROGRAM_HEADER_SIZE)
    return [
        ProgramHeader._make((*fields, number))
        for number, fields in enumerate(_PROGRAM_HEADER.iter_unpack(table))
    ], []


def _table_problems(count: int, file_size: int, header: ElfHeader, file: str) -> Iterator[Problem]:
    """What is wrong with the table of ``count`` program headers as a whole."""
    if count == 0 and header.type == EXECUTABLE:  # others are refused for their type
        yield Problem(
            "the ELF file has no program headers, so nothing of it can be loaded",
            where=file,
            found="0 program headers",
            expected="one for each loadable segment",
            next_step="link it into an executable, and keep the program headers when stripping",
        )
    if count and header.program_header_size != PROGRAM_HEADER_SIZE:
        yield Problem(
            "the program headers have a wrong size (e_phentsize)",
            where=file,
            found=f"{header.program_header_size} bytes each",
            expected=f"{PROGRAM_HEADER_SIZE} bytes each",
            next_step="build the file again",
        )
    end = header.program_headers_at + count * PROGRAM_HEADER_SIZE
    if count > MAX_PROGRAM_HEADERS:
        yield Problem(
            "there are too many program headers",
            where=file,
            found=f"{count:,}",
            expected=f"at most {MAX_PROGRAM_HEADERS:,}",
            next_step="build the file again; no linker writes that many",
        )
    elif count and end > file_size:
        yield Problem(
            "the program headers are past the end of the file",
            where=file,
            found=f"{file_size:,} bytes",
            expected=f"at least {end:,} bytes",
            next_step="copy or build the file again",
        )


def _count(source: ByteSource, header: ElfHeader, file: str) -> tuple[int, list[Problem]]:
    """How many program headers there are."""
    count = header.program_header_count
    if count != COUNT_ELSEWHERE:
        return count, []
    at = header.section_headers_at
    if at < HEADER_SIZE or at + SECTION_HEADER_SIZE > source.size:
        return 0, [
            Problem(
                "the number of program headers should be in section 0, which is not in the file",
                where=file,
                found=f"section headers at offset {at:,} of {source.size:,} bytes",
                expected="a section header inside the file",
                next_step="copy or build the file again",
            )
        ]
    return int.from_bytes(source.read(at + 28, 4), "little"), []
