"""What section headers say beyond program headers: overlays inside one segment, and memory in no segment.

A linker puts overlays, whose sections share a run address, one after the other into one segment when its
script requires it; then only their section headers say where each of them runs.  And a section may be in no
segment at all (``:NONE`` in a script): nothing is loaded for it, and yet the program uses its memory.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterable

from gemel.builds.elf.program_headers import ProgramHeader
from gemel.builds.elf.sections import MAX_SECTIONS, NOBITS, SectionHeader
from gemel.builds.segment import NO_SEGMENT, Segment
from gemel.spans import ADDRESS_SPACE, Span, merge, without
from gemel.structs import replace

MAX_PIECES = 1024
"""Pieces of memory in no segment that are taken into account at most."""

_WRITABLE, _EXECUTABLE = 0x1, 0x4


def stored_for_ram(segment: Segment, sections: Iterable[tuple[str, Span, int]]) -> str:
    """What of a segment that is stored where it runs is the likely cause, by name, and what to do about it.

    ``sections`` are those with bytes in the file: name, run span and offset in the file.  Empty if the segment
    is stored elsewhere.
    """
    if segment.run_address != segment.load_address or not segment.data:
        return ""
    inside = [
        (name, span)
        for name, span, offset in sections
        if span.size
        and segment.run_span.covers(span)
        and offset - segment.file_offset == span.start - segment.run_address
    ]
    zeros = [
        name
        for name, span in inside
        if not any(segment.data[span.start - segment.run_address :][: span.size])
    ]
    others = [name for name, _ in inside if name not in zeros]
    steps = [
        f"{_sections(zeros, 'stores', 'store')} nothing but zeros at an address of RAM: "
        f"mark {'them' if zeros[1:] else 'it'} (NOLOAD) in the linker script",
        f"{_sections(others, 'is stored at the address it runs', 'are stored at the addresses they run')} at: "
        f"give {'them' if others[1:] else 'it'} a load address in flash (AT>), or (NOLOAD)",
    ]
    return "; ".join(step for step, names in zip(steps, (zeros, others), strict=True) if names)


def _sections(names: list[str], of_one: str, of_many: str) -> str:
    return f"sections {', '.join(names[:4])} {of_many}" if names[1:] else f"section {''.join(names)} {of_one}"


def split_at_overlays(
    segments: list[Segment], headers: Iterable[ProgramHeader], sections: tuple[SectionHeader, ...]
) -> list[Segment]:
    """``segments`` with those cut apart in which a section runs elsewhere than its place in the segment says.

    So are those in which the first of several overlays follows another section.  The pieces keep the index of their
    segment, and its load addresses.
    """
    stored = sorted(
        (each for each in sections if each.allocated and each.type != NOBITS), key=lambda each: each.offset
    )
    offsets = [each.offset for each in stored]
    times = Counter(each.address for each in stored if each.size)
    by_index = {header.number: header for header in headers}
    result: list[Segment] = []
    left = 2 * MAX_SECTIONS  # segments may share bytes of a hostile file, and so share sections
    for segment in segments:
        header = by_index[segment.index]
        first = bisect_left(offsets, header.offset)
        last = min(first + left, bisect_left(offsets, header.offset + header.file_size))
        left -= last - first
        moved = [
            each
            for each in stored[first:last]
            if (times[each.address] > 1 or not _belongs(each, header))
            and each.offset + each.size <= header.offset + header.file_size
            and not any(_belongs(each, other) for other in by_index.values() if other is not header)
        ]
        result += _cut(segment, header, moved) if moved else [segment]
    return result


def without_padding(segments: list[Segment], sections: tuple[SectionHeader, ...]) -> list[Segment]:
    """``segments`` in which bytes of no section do not reach over what another segment stores, or runs as code.

    Linkers fill what is between two sections of a segment, also where the load addresses of another segment's
    sections are, and objcopy does where code was that it moved.
    """
    places = [
        (Span(place, len(each.data)), each)
        for each in segments
        if each.data
        for place in {each.load_address, each.run_address if each.executable else each.load_address}
    ]
    furthest: tuple[Span, Segment] | None = None
    touching = set()
    for span, segment in sorted(places, key=lambda each: each[0].start):
        if furthest and furthest[1] is not segment and furthest[0].overlaps(span):
            touching |= {furthest[1].index, segment.index}
        if furthest is None or span.end > furthest[0].end:
            furthest = span, segment
    if not touching:
        return segments
    others = [each for each in places if each[1].index in touching]
    stored = sorted(
        (each for each in sections if each.allocated and each.type != NOBITS), key=lambda each: each.offset
    )
    offsets = [each.offset for each in stored]
    result: list[Segment] = []
    left = 2 * MAX_SECTIONS  # as above
    for segment in segments:
        holes = []
        if segment.index in touching:
            first = bisect_left(offsets, segment.file_offset)
            last = min(first + left, bisect_left(offsets, segment.file_offset + len(segment.data)))
            left -= last - first
            holes = _padding(segment, stored[first:last])
        near = [span for span, each in others if each is not segment] if holes else []
        kept = without(holes, near)
        taken = without(holes, kept)
        result += _around(segment, taken) if taken else [segment]
    return result


def _padding(segment: Segment, sections: list[SectionHeader]) -> list[Span]:
    """The load spans of bytes of a segment that belong to none of the ``sections`` in it; none where there are none."""
    file_span = Span(segment.file_offset, len(segment.data))
    stored = [
        Span(each.offset, each.size)
        for each in sections
        if each.address - segment.run_address == each.offset - segment.file_offset
    ]
    distance = segment.load_address - segment.file_offset
    return [hole.moved(distance) for hole in without([file_span], stored)] if stored else []


def _around(segment: Segment, holes: list[Span]) -> list[Segment]:
    kept = without([segment.load_span], holes)
    return [
        _piece(
            segment,
            span.start - segment.load_address,
            span.end - segment.load_address,
            segment.run_address + span.start - segment.load_address,
        )
        for span in kept
    ]


def _belongs(section: SectionHeader, header: ProgramHeader) -> bool:
    """Whether the section is where the program header says that its bytes run."""
    offset = section.offset - header.offset
    return 0 <= offset < header.file_size and section.address - header.run_address == offset


def _cut(segment: Segment, header: ProgramHeader, moved: list[SectionHeader]) -> list[Segment]:
    pieces: list[Segment] = []
    at = 0
    for section in moved:
        start = section.offset - header.offset
        if start < at:
            return [segment]  # sections that share bytes show nothing
        if start > at:
            pieces.append(_piece(segment, at, start, segment.run_address + at))
        pieces.append(_piece(segment, start, start + section.size, section.address))
        at = start + section.size
    if at < segment.memory_size:
        rest = _piece(segment, at, len(segment.data), segment.run_address + at)
        pieces.append(replace(rest, memory_size=segment.memory_size - at))
    return [piece for piece in pieces if piece.run_span.end <= ADDRESS_SPACE and piece.memory_size]


def _piece(segment: Segment, start: int, end: int, run_address: int) -> Segment:
    data = segment.data[start:end]
    return replace(
        segment,
        load_address=segment.load_address + start,
        run_address=run_address,
        data=data,
        memory_size=len(data),
        file_offset=segment.file_offset + start,
    )


def in_no_segment(
    segments: list[Segment], sections: tuple[SectionHeader, ...], name_of: Callable[[int], str]
) -> list[Segment]:
    """A segment without bytes for each section of memory, or part of one, that no segment takes.

    That is: allocated, and writable or without bytes in the file.

    Their index is NO_SEGMENT, and ``section`` the name of the section, by its number from ``name_of``.
    """
    taken = merge(segment.run_span for segment in segments)
    starts = [span.start for span in taken]
    wanted = [
        (number, each)
        for number, each in enumerate(sections)
        if number
        and each.allocated
        and not each.thread_local
        and (each.type == NOBITS or each.flags & _WRITABLE)
    ]
    found: list[Segment] = []
    for number, each in wanted:
        span = each.span
        first = max(0, bisect_right(starts, span.start) - 1)
        around = taken[first : bisect_left(starts, span.end)]
        for rest in without([span], around)[: MAX_PIECES - len(found)]:
            found.append(
                Segment(
                    load_address=rest.start,
                    run_address=rest.start,
                    data=b"",
                    memory_size=rest.size,
                    readable=True,
                    writable=bool(each.flags & _WRITABLE),
                    executable=bool(each.flags & _EXECUTABLE),
                    index=NO_SEGMENT,
                    section=name_of(number),
                )
            )
    return found
