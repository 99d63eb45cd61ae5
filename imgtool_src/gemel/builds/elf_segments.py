"""The loadable segments of an ELF file.

Layout of one program header (gABI, "Program Header"; 32 bytes, little-endian)::

    0  p_type   u32  1: loadable            4  p_offset u32  where its bytes stand in the file
    8  p_vaddr  u32  run address            12 p_paddr  u32  load address (linker convention)
    16 p_filesz u32  bytes in the file      20 p_memsz  u32  bytes at run time, not below p_filesz
    24 p_flags  u32  4 read, 2 write, 1 run 28 p_align  u32

Every number is checked before a byte is read for it, so that a hostile file costs no more memory than
it has bytes itself.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, NamedTuple

from gemel.builds.build import Segment
from gemel.builds.elf_header import (
    COUNT_ELSEWHERE,
    HEADER_SIZE,
    PROGRAM_HEADER_SIZE,
    SECTION_HEADER_SIZE,
    ElfHeader,
)
from gemel.errors import Problem
from gemel.spans import ADDRESS_SPACE, Span, format_address

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

PROGRAM_HEADER_LIMIT = 1024
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
    if count and header.program_header_size != PROGRAM_HEADER_SIZE:
        problems.append(
            Problem(
                "the program headers have a wrong size (e_phentsize)",
                file,
                f"{header.program_header_size} bytes each",
                f"{PROGRAM_HEADER_SIZE} bytes each",
            )
        )
    if count > PROGRAM_HEADER_LIMIT:
        problems.append(
            Problem(
                "there are too many program headers",
                where=file,
                found=f"{count:,}",
                expected=f"at most {PROGRAM_HEADER_LIMIT:,}",
                next_step="build the file again; no linker writes that many",
            )
        )
    elif header.program_headers_at + count * PROGRAM_HEADER_SIZE > source.size:
        problems.append(
            Problem(
                "the program headers lie past the end of the file",
                where=file,
                found=f"{source.size:,} bytes",
                expected=f"at least {header.program_headers_at + count * PROGRAM_HEADER_SIZE:,} bytes",
                next_step="copy or build the file again",
            )
        )
    if problems:
        return [], problems
    table = source.read(header.program_headers_at, count * PROGRAM_HEADER_SIZE)
    return [
        ProgramHeader._make((*fields, number))
        for number, fields in enumerate(_PROGRAM_HEADER.iter_unpack(table))
    ], []


def _count(source: ByteSource, header: ElfHeader, file: str) -> tuple[int, list[Problem]]:
    """How many program headers there are."""
    count = header.program_header_count
    if count == 0:
        return 0, [
            Problem(
                "the ELF file has no program headers, so nothing of it can be loaded",
                where=file,
                found="0 program headers",
                expected="one for each loadable segment",
                next_step="link it into an executable, and keep the program headers when stripping",
            )
        ]
    if count != COUNT_ELSEWHERE:
        return count, []
    at = header.section_headers_at
    if at < HEADER_SIZE or at + SECTION_HEADER_SIZE > source.size:
        return 0, [
            Problem(
                "the number of program headers should stand in section 0, which is not in the file",
                where=file,
                found=f"section headers at offset {at:,} of {source.size:,} bytes",
                expected="a section header inside the file",
                next_step="copy or build the file again",
            )
        ]
    return int.from_bytes(source.read(at + 28, 4), "little"), []


def read_segments(
    source: ByteSource, headers: list[ProgramHeader], file: str
) -> tuple[list[Segment], list[Problem], list[Problem]]:
    """The loadable segments in order of load address, what is wrong with them, and remarks.

    Nothing of any segment is read if one of them lies outside the file or the address space.
    """
    loadable = [
        header for header in headers if header.type == LOADABLE and (header.memory_size or header.file_size)
    ]
    problems = [problem for header in loadable for problem in _bounds(header, source.size, file)]
    total = sum(header.file_size for header in loadable)
    if not total:
        problems.append(_empty(len(loadable), file))
    elif not problems and total > source.size:
        problems.append(
            Problem(
                "segments share bytes of the file",
                where=file,
                found=f"{total:,} bytes in all segments, in a file of {source.size:,} bytes",
                expected="a place of its own in the file for each segment",
                next_step="build the file again",
            )
        )
    if problems:
        return [], problems, []
    segments = [_segment(source, header) for header in loadable]
    segments.sort(key=lambda segment: (segment.load_address, segment.index))
    remarks = [_carries_header(header, file) for header in loadable if _holds_elf_header(header)]
    overlaps, doubled, twins = _load_overlaps(segments, file)
    remarks.extend(doubled)
    return segments, overlaps + _run_overlaps(segments, twins, file), remarks


def _bounds(header: ProgramHeader, file_size: int, file: str) -> list[Problem]:
    """Whether the numbers of one loadable segment fit the file and the address space."""
    where = f"{file}, segment {header.number}"
    problems: list[Problem] = []
    if header.file_size > header.memory_size:
        problems.append(
            Problem(
                "the segment has more bytes in the file than in memory",
                where,
                f"{header.file_size:,} in the file, {header.memory_size:,} in memory",
                "p_filesz not above p_memsz",
                "build the file again",
            )
        )
    if header.file_size and header.offset + header.file_size > file_size:
        problems.append(
            Problem(
                "the file is cut: bytes of the segment lie past its end",
                where,
                f"{file_size:,} bytes",
                f"at least {header.offset + header.file_size:,} bytes",
                "copy or build the file again",
            )
        )
    for address, size, what in (
        (header.load_address, header.file_size, "stored"),
        (header.run_address, header.memory_size, "run-time"),
    ):
        if address + size > ADDRESS_SPACE:
            problems.append(
                Problem(
                    f"the segment's {what} bytes run past the 32-bit address space",
                    where,
                    f"{size:,} bytes from {format_address(address)} on",
                    "an end not above 0xFFFF_FFFF",
                    "correct the addresses in the linker script",
                )
            )
    return problems


def _empty(loadable: int, file: str) -> Problem:
    return Problem(
        "the build is empty: it has nothing to store",
        where=file,
        found=f"{loadable} loadable segments with no bytes" if loadable else "no loadable segment",
        expected="at least one loadable segment with bytes in the file",
        next_step="check that the linker kept the code (KEEP of the vector table, an entry point)",
    )


def _segment(source: ByteSource, header: ProgramHeader) -> Segment:
    return Segment(
        load_address=header.load_address,
        run_address=header.run_address,
        data=source.read(header.offset, header.file_size) if header.file_size else b"",
        memory_size=header.memory_size,
        readable=bool(header.flags & 4),
        writable=bool(header.flags & 2),
        executable=bool(header.flags & 1),
        index=header.number,
    )


def _holds_elf_header(header: ProgramHeader) -> bool:
    return header.offset < HEADER_SIZE and header.file_size > 0


def _carries_header(header: ProgramHeader, file: str) -> Problem:
    return Problem(
        "the segment carries the ELF file's own header into memory",
        where=f"{file}, segment {header.number}",
        found=f"file offset {header.offset}, stored at {format_address(header.load_address)}",
        expected=f"a segment that begins behind the {HEADER_SIZE} bytes of the header",
        next_step="keep the headers out of the segment: no FILEHDR and PHDRS in the linker script, "
        "or -z max-page-size=4",
    )


def _load_overlaps(
    segments: list[Segment], file: str
) -> tuple[list[Problem], list[Problem], set[tuple[int, int]]]:
    """Contradictions between stored bytes, remarks on equal ones, and which pairs are such twins.

    In order of address, the segment that reaches furthest covers all that an earlier one can share
    with the next, so one comparison for each segment finds every contradiction.
    """
    from gemel.image.sparse import first_difference

    problems: list[Problem] = []
    remarks: list[Problem] = []
    twins: set[tuple[int, int]] = set()
    furthest: Segment | None = None
    for segment in segments:
        if not segment.data:
            continue
        shared = furthest.load_span.intersection(segment.load_span) if furthest else Span(0, 0)
        if furthest and shared.size:
            held, new = _cut(furthest, shared), _cut(segment, shared)
            difference = first_difference(held, new)
            where = f"{file}, segments {furthest.index} and {segment.index}"
            if difference is None:
                if _displacement(furthest) == _displacement(segment):
                    twins.add((furthest.index, segment.index))
                remarks.append(
                    Problem("two segments store the same bytes at the same addresses", where, str(shared))
                )
            else:
                problems.append(
                    Problem(
                        "two segments store different bytes at the same addresses",
                        where=where,
                        found=f"0x{held[difference]:02X} and 0x{new[difference]:02X} at "
                        f"{format_address(shared.start + difference)}, overlap {shared}",
                        expected="load addresses that do not overlap",
                        next_step="correct the load addresses (AT) in the linker script",
                    )
                )
        if furthest is None or segment.load_span.end > furthest.load_span.end:
            furthest = segment
    return problems, remarks, twins


def _displacement(segment: Segment) -> int:
    return segment.run_address - segment.load_address


def _cut(segment: Segment, span: Span) -> memoryview:
    start = span.start - segment.load_address
    return memoryview(segment.data)[start : start + span.size]


def _run_overlaps(segments: list[Segment], twins: set[tuple[int, int]], file: str) -> list[Problem]:
    """Segments that take the same memory at run time.

    Left out are pairs that store the same bytes there anyway, which have their remark already.
    """
    problems: list[Problem] = []
    furthest: Segment | None = None
    for segment in sorted(segments, key=lambda segment: (segment.run_address, segment.index)):
        if not segment.memory_size:
            continue
        if furthest and furthest.run_span.overlaps(segment.run_span):
            pair = (furthest.index, segment.index)
            if pair not in twins and pair[::-1] not in twins:
                problems.append(
                    Problem(
                        "two segments take the same memory at run time",
                        where=f"{file}, segments {pair[0]} and {pair[1]}",
                        found=str(furthest.run_span.intersection(segment.run_span)),
                        expected="run addresses that do not overlap",
                        next_step="correct the addresses in the linker script; overlays are not read",
                    )
                )
        if furthest is None or segment.run_span.end > furthest.run_span.end:
            furthest = segment
    return problems
