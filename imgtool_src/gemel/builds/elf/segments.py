"""The loadable segments of an ELF file.

Every number of a program header is checked before a byte is read for it, so that a hostile file costs
no more memory than it has bytes itself.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from gemel.builds.elf.header import HEADER_SIZE
from gemel.builds.elf.program_headers import LOADABLE, ProgramHeader
from gemel.builds.elf.sections import MAX_SECTIONS, NOBITS, NOTE, SectionHeader
from gemel.builds.elf.segment_overlaps import load_overlaps, overlay_starts, reserve_overlaps, run_overlaps
from gemel.builds.elf.segment_sections import split_at_overlays, stored_for_ram, without_padding
from gemel.builds.segment import Segment
from gemel.errors import Problem
from gemel.files.contents import WITHOUT_HEADERS
from gemel.spans import ADDRESS_SPACE, Span, format_address, merge, without
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource


def with_pieces(
    segments: list[Segment], sections: Iterable[Span], unstored: Iterable[Span] = ()
) -> list[Segment]:
    """``segments`` with their pieces by the run spans of allocated ``sections``, empty ones too.

    ``unstored`` are those of them that the file has no bytes for: what is in segments without bytes, so that
    another segment may be in a gap of theirs.  Of two such segments the smaller has a section that is inside of both:
    a linker that stores a section elsewhere begins a segment there, and goes on with the other after it.  A segment
    that no section is in, and one that runs as it is stored, are left as they are.  Every byte that a segment stores
    counts, whatever sections say, and so does what it clears after its last section: there a linker ends the segment,
    and a table that ends sooner leaves something out, unless a section without bytes is at that end.
    """
    sections = list(sections)
    empty = {span.start for span in sections if not span.size}
    sorts = [(spans, [span.start for span in spans]) for spans in (merge(sections, -1), merge(unstored, -1))]
    result, left = list(segments), 2 * MAX_SECTIONS  # segments may store bytes twice, and so share sections
    owned: set[int] = set()
    for number, segment in sorted(enumerate(segments), key=lambda each: each[1].run_span.size):
        whole = segment.run_span
        if segment.load_span == whole:
            continue
        stored = Span(whole.start, len(segment.data))
        rest = Span.from_bounds(stored.end, whole.end)
        taken: list[Span] = []
        for part, (spans, starts) in zip(
            (stored, rest), sorts if sorts[1][0] else (sorts[0],) * 2, strict=True
        ):
            if not part.size:
                continue
            first = max(0, bisect_right(starts, part.start) - 1)
            inside = spans[first : min(first + left, bisect_right(starts, part.end - 1))]
            left -= len(inside)
            if part is rest and spans is sorts[1][0]:
                inside = [each for each in inside if each.start not in owned]
                owned.update([each.start for each in inside if whole.covers(each)])
            taken += [common for each in inside if (common := each.intersection(part)).size]
        pieces = _pieces(segment, taken, to_end=whole.end not in empty)
        if pieces not in ((), (whole,)):
            result[number] = replace(segment, pieces=pieces)
    return result


def _pieces(segment: Segment, taken: list[Span], *, to_end: bool) -> tuple[Span, ...]:
    """``taken``, by address inside the segment, and what else of it counts; none if nothing is taken."""
    if not taken:
        return ()
    counted = [segment.stored_run]
    if to_end:
        counted.append(Span.from_bounds(taken[-1].end, segment.run_span.end))
    return tuple(sorted([*taken, *without(counted, taken)]))


def read_segments(
    source: ByteSource,
    headers: list[ProgramHeader],
    file: str,
    sections: tuple[SectionHeader, ...] = (),
    name_of: Callable[[int], str] = str,
    names_only: bool = False,
) -> tuple[list[Segment], list[Problem], list[Problem]]:
    """The loadable segments in order of load address, what is wrong with them, and remarks.

    Nothing of any segment is read if one of them is outside the file or the address space.  ``sections``
    show overlays inside one segment and gaps, ``name_of`` what a section is called by its number.  ``names_only``
    takes a file of debug information alone, which stores its notes.
    """
    loadable = [
        header for header in headers if header.type == LOADABLE and (header.memory_size or header.file_size)
    ]
    ends = dict(sorted((each.span.end, each.span.start) for each in sections if each.has_address))
    fitted = [_by_sections(header, ends, file) for header in loadable]
    loadable, resized = [header for header, _ in fitted], [each for _, said in fitted for each in said]
    if problems := _unreadable(loadable, source.size, sections, file, names_only):
        return [], problems, []
    carrying = [header for header in loadable if _holds_elf_header(header)]
    bare = [header for header in carrying if _holds_no_section(header, sections) and len(loadable) > 1]
    segments = [_segment(source, header) for header in loadable if header not in bare]
    segments = without_padding(split_at_overlays(segments, loadable, sections), sections)
    allocated = [section for section in sections if section.allocated]
    stored = merge(each.stored_run for each in segments if each.data)
    if not stored:
        return [], [_empty(len(loadable), file)], []
    starts = [span.start for span in stored]
    unstored = [
        section.span
        for section in allocated
        if section.type == NOBITS or not _overlaps_any(section.span, stored, starts)
    ]
    segments = with_pieces(segments, [section.span for section in sections if section.has_address], unstored)
    segments.sort(key=lambda segment: (segment.load_address, segment.index))
    remarks = [_carries_header(header, file, header in bare) for header in carrying]
    overlaps, doubled = _overlaps(segments, sections, name_of, file)
    return segments, overlaps, [*remarks, *resized, *doubled]


def _unreadable(
    loadable: list[ProgramHeader],
    size: int,
    sections: tuple[SectionHeader, ...],
    file: str,
    names_only: bool,
) -> list[Problem]:
    """Why nothing of these segments is read from a file of so many bytes; nothing if they can be."""
    problems = [problem for header in loadable for problem in _bounds(header, file)]
    if cut := _cut(loadable, size, file):
        problems.append(cut)
    total = sum(header.file_size for header in loadable)
    if _without_code(sections) and not (names_only and total):
        return [_debug_only(file)]
    if not total:
        problems.append(_empty(len(loadable), file))
    elif not problems and total > size:
        problems.append(
            Problem(
                "segments share bytes of the file",
                where=file,
                found=f"{total:,} bytes in all segments, in a file of {size:,} bytes",
                expected="a place of its own in the file for each segment",
                next_step="build the file again",
            )
        )
    return problems


def _overlaps(
    segments: list[Segment], sections: tuple[SectionHeader, ...], name_of: Callable[[int], str], file: str
) -> tuple[list[Problem], list[Problem]]:
    """Bytes that two segments give for one address, in flash or at run time, and remarks on those given alike."""
    allocated = [(section, number) for number, section in enumerate(sections) if section.allocated]
    overlaps, doubled, settled = load_overlaps(segments, file)
    reserved = [
        (section.span, number)
        for section, number in allocated
        if section.type == NOBITS and not section.thread_local and section.span.size
    ]
    overlaps += run_overlaps(
        segments,
        settled,
        file,
        lambda each: _for_ram(each, sections, name_of),
        lambda span: [name_of(number) for section, number in allocated if section.span.overlaps(span)],
        overlay_starts(reserved),
    )
    if not overlaps:
        overlaps += reserve_overlaps(reserved, file, name_of)
    return overlaps, doubled


def _by_sections(
    header: ProgramHeader, ends: Mapping[int, int], file: str
) -> tuple[ProgramHeader, list[Problem]]:
    """The header with the size that its sections have where the size counts from its load address, and what is said.

    ``ends`` has the latest begin of a section that ends at each address.  GNU strip and objcopy write such a size
    where the segment has no bytes and is stored elsewhere, as lld has it for .bss.
    """
    end = header.load_address + header.memory_size & ADDRESS_SPACE - 1
    is_right = header.run_address + header.memory_size in ends
    if header.load_address == header.run_address or is_right or ends.get(end, 0) < header.run_address:
        return header, []
    said = Problem(
        "the segment's size in memory is not that of its sections; it is read as ending with the last of them",
        where=f"{file}, segment {header.number}",
        found=f"{header.memory_size:,} bytes, counted from its load address",
        expected=f"{end - header.run_address:,} bytes, up to {format_address(end - 1)}",
        next_step="nothing; tools of the linker that made the file copy it as it is",
    )
    return header._replace(memory_size=end - header.run_address), [said]


def _overlaps_any(span: Span, stored: list[Span], starts: list[int]) -> bool:
    """Whether ``span`` shares a byte with one of ``stored``, which begin at ``starts``, in order."""
    at = bisect_left(starts, span.end) - 1
    return at >= 0 and stored[at].overlaps(span)


def _for_ram(segment: Segment, sections: tuple[SectionHeader, ...], name_of: Callable[[int], str]) -> str:
    stored = (
        (name_of(number), section.span, section.offset)
        for number, section in enumerate(sections)
        if section.allocated and section.type != NOBITS
    )
    return stored_for_ram(segment, stored)


def _cut(headers: list[ProgramHeader], file_size: int, file: str) -> Problem | None:
    """The one problem of a file that ends before its segments do."""
    ends = [each.offset + each.file_size for each in headers if each.file_size]
    cut = [end for end in ends if end > file_size]
    if not cut:
        return None
    of = "a segment" if len(cut) == 1 else f"{len(cut)} segments"
    return Problem(
        f"the file is cut: bytes of {of} are past its end",
        where=file,
        found=f"{file_size:,} bytes",
        expected=f"at least {max(cut):,} bytes",
        next_step="copy or build the file again",
    )


def _bounds(header: ProgramHeader, file: str) -> Iterator[Problem]:
    """Whether the numbers of one loadable segment fit each other and the address space."""
    where = f"{file}, segment {header.number}"
    if header.file_size > header.memory_size:
        yield Problem(
            "the segment has more bytes in the file than in memory",
            where=where,
            found=f"{header.file_size:,} in the file, {header.memory_size:,} in memory",
            expected="p_filesz not above p_memsz",
            next_step="build the file again",
        )
    for address, size, what in (
        (header.load_address, header.file_size, "stored"),
        (header.run_address, header.memory_size, "run-time"),
    ):
        if address + size > ADDRESS_SPACE:
            yield Problem(
                f"the segment's {what} bytes run past the 32-bit address space",
                where=where,
                found=f"{size:,} bytes from {format_address(address)} on",
                expected="an end not above 0xFFFF_FFFF",
                next_step="correct the addresses in the linker script",
            )


def _without_code(sections: tuple[SectionHeader, ...]) -> bool:
    """Whether code has sections but nothing has bytes, notes apart, as in a file of debug information alone."""
    allocated = [each for each in sections if each.allocated and each.size]
    return any(each.executable for each in allocated) and all(
        each.type in (NOBITS, NOTE) for each in allocated
    )


def _debug_only(file: str) -> Problem:
    return Problem(
        "the file holds debug information only, no code",
        where=file,
        found="sections of code without bytes, as objcopy --only-keep-debug leaves them",
        expected="the linked ELF file, or the one that the debug information was taken out of",
        next_step="give the file from the linker; it may hold the debug information too",
    )


def _empty(loadable: int, file: str) -> Problem:
    return Problem(
        "the build is empty: it has nothing to store",
        where=file,
        found=f"no bytes in the file (loadable segments: {loadable})",
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
        file_offset=header.offset,
    )


def _holds_elf_header(header: ProgramHeader) -> bool:
    return header.offset < HEADER_SIZE and header.file_size > 0


def _holds_no_section(header: ProgramHeader, sections: tuple[SectionHeader, ...]) -> bool:
    """Whether a file with sections has none of what is loaded in the segment: only its headers are there.

    lld maps them where the page of the first section has room; tools that go by sections load nothing of it.
    """
    file = Span(header.offset, header.file_size)
    stored = [Span(*each.extent) for each in sections if each.allocated and each.type != NOBITS]
    return bool(stored) and not any(each.overlaps(file) for each in stored)


def _carries_header(header: ProgramHeader, file: str, left_out: bool) -> Problem:
    return Problem(
        "a segment with nothing but the ELF file's headers is left out"
        if left_out
        else "the segment carries the ELF file's own header into memory",
        where=f"{file}, segment {header.number}",
        found=f"file offset {header.offset}, stored at {format_address(header.load_address)}",
        expected=f"a segment that begins after the {HEADER_SIZE} bytes of the header",
        next_step=WITHOUT_HEADERS,
    )
