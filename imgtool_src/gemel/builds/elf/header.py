"""The header of an ELF file, and whether it is one of a linked 32-bit little-endian Arm program.

Layout (gABI, "ELF Header"; AAELF32 2025Q4, "ELF Header"; 52 bytes)::

    0  e_ident      16 bytes: 7F 45 4C 46, class (1: 32-bit), byte order (1: little-endian), version 1
    16 e_type       u16  2: executable       18 e_machine    u16  40: Arm
    20 e_version    u32  1                   24 e_entry      u32
    28 e_phoff      u32                      32 e_shoff      u32
    36 e_flags      u32  0x05......: ABI 5   40 e_ehsize     u16  52
    42 e_phentsize  u16  32                  44 e_phnum      u16  0xFFFF: see section 0
    46 e_shentsize  u16  40                  48 e_shnum      u16  0: see section 0
    50 e_shstrndx   u16
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.errors import BuildError, Problem
from gemel.files.contents import ELF_START
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

HEADER_SIZE = 52
PROGRAM_HEADER_SIZE = 32
SECTION_HEADER_SIZE = 40
COUNT_ELSEWHERE = 0xFFFF
"""``e_phnum`` (PN_XNUM) when the number of program headers stands in ``sh_info`` of section 0."""

_HEADER = struct.Struct("<16sHHIIIIIHHHHHH")
EXECUTABLE = 2
ARM = 40
_ABI_MASK, _ABI_5 = 0xFF00_0000, 0x0500_0000

_TYPES = {
    0: ("no type", "link it into an executable first"),
    1: ("a relocatable object", "link it first: gemel joins what the linker made"),
    3: ("a shared object or position-independent executable", "link it to fixed addresses"),
    4: ("a core dump", "give the executable that was running"),
}
# Names of a few machines that end up here by mistake (gABI, "e_machine" values).
MACHINES = {
    3: "32-bit x86",
    8: "MIPS",
    20: "32-bit Power",
    62: "64-bit x86",
    83: "8-bit AVR",
    94: "Xtensa",
    183: "64-bit Arm",
    243: "RISC-V",
}


class ElfHeader(NamedTuple):
    """The fields as they stand in the file; offsets and sizes in bytes."""

    identification: bytes
    type: int
    machine: int
    version: int
    entry: int
    program_headers_at: int
    section_headers_at: int
    flags: int
    header_size: int
    program_header_size: int
    program_header_count: int
    section_header_size: int
    section_header_count: int
    section_names_index: int


def read_header(source: ByteSource, file: str) -> tuple[ElfHeader, list[Problem], list[Problem]]:
    """The header, what is wrong with it, and oddities that do no harm.

    Raises BuildError at once where nothing after it can be trusted: not ELF, cut, 64-bit, big-endian.
    """
    start = source.read(0, min(HEADER_SIZE, source.size))
    if start[:4] != ELF_START:
        raise BuildError(_not_elf(start, file))
    if len(start) < HEADER_SIZE:
        raise BuildError(
            "the ELF header is cut",
            where=file,
            found=f"a file of {source.size} bytes",
            expected=f"a header of {HEADER_SIZE} bytes",
            next_step="copy or build the file again",
        )
    if foreign := _foreign(start, file):
        raise BuildError(foreign)
    header = header_in(start)
    return header, list(_problems(header, file)), list(_remarks(header, file))


def header_in(start: bytes) -> ElfHeader:
    """The fields in the first bytes of a file, whatever they are."""
    return ElfHeader._make(_HEADER.unpack(start))


def _not_elf(start: bytes, file: str) -> Problem:
    return Problem(
        "this is not an ELF file",
        where=file,
        found=f"the first bytes {start[:4].hex(' ').upper()}" if start else "an empty file",
        expected="the first bytes 7F 45 4C 46",
        next_step="give the file that the linker wrote",
    )


def _foreign(start: bytes, file: str) -> list[Problem]:
    """What makes the fields of a foreign kind of ELF file unreadable for us."""
    problems: list[Problem] = []
    word_class, byte_order, version = start[4], start[5], start[6]
    # The machine's number stands at the same place in every kind of ELF file; class and order follow from it.
    machine = int.from_bytes(start[18:20], "big" if byte_order == 2 else "little")
    if machine != ARM and (word_class, byte_order, version) != (1, 1, 1):
        return [_wrong_machine(machine, file)]
    if word_class != 1:
        kind = {2: "64-bit (class 2)"}.get(word_class, f"class {word_class}")
        problems.append(
            Problem("the ELF file is not 32-bit", where=file, found=kind, expected="32-bit (class 1)")
        )
    if byte_order != 1:
        kind = {2: "big-endian (2)"}.get(byte_order, f"byte order {byte_order}")
        problems.append(
            Problem("the ELF file is not little-endian", where=file, found=kind, expected="little-endian (1)")
        )
    if version != 1:
        problems.append(
            Problem("unknown ELF version", where=file, found=f"version {version}", expected="version 1")
        )
    return problems


def _problems(header: ElfHeader, file: str) -> Iterator[Problem]:
    if header.machine != ARM:
        yield _wrong_machine(header.machine, file)
    if header.type != EXECUTABLE:
        kind, next_step = _TYPES.get(header.type, (f"type {header.type}", "give the linked program"))
        yield Problem(
            "the ELF file is not an executable",
            where=file,
            found=kind,
            expected="an executable (type 2)",
            next_step=next_step,
        )
    if header.version != 1:
        yield Problem(
            "unknown ELF version in e_version",
            where=file,
            found=f"version {header.version}",
            expected="version 1",
        )
    if header.header_size != HEADER_SIZE:
        yield Problem(
            "the ELF header states a wrong size of itself (e_ehsize)",
            where=file,
            found=f"{header.header_size} bytes",
            expected=f"{HEADER_SIZE} bytes",
        )


def _wrong_machine(machine: int, file: str) -> Problem:
    name = f" ({MACHINES[machine]})" if machine in MACHINES else ""
    return Problem(
        "the program is not for a 32-bit Arm core",
        where=file,
        found=f"machine {machine}{name}",
        expected=f"machine {ARM}",
        next_step="give the build for the device",
    )


def _remarks(header: ElfHeader, file: str) -> Iterator[Problem]:
    if header.flags & _ABI_MASK != _ABI_5:
        yield Problem(
            "the file follows another version of the Arm ABI",
            where=file,
            found=f"version {header.flags >> 24} (e_flags 0x{header.flags:08X})",
            expected="version 5",
        )
