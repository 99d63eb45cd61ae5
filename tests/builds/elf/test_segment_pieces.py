"""What of a segment's memory counts as taken: by sections if there are any, by the segment otherwise."""

from __future__ import annotations

import tracemalloc

import pytest
from elf_writer import SegmentSpec, elf
from hypothesis import given
from hypothesis import strategies as st
from reading_builds import CODE, FLASH, RAM, read, read_elf, refused
from seconds import within

from gemel.builds.elf.sections import MAX_SECTIONS
from gemel.builds.elf.segments import with_pieces
from gemel.builds.segment import ALIGNMENT_GAP, Segment
from gemel.spans import ADDRESS_SPACE, Span, merge

LINK = RAM + 0x4000
STACK_BETWEEN = ((".bss", RAM, 0x3BF0), (".link", LINK, 0x38))
WHOLE = (Span(RAM, 0x4038),)


def _cleared(*sections: tuple[str, int, int], size: int = 0x4038, **options) -> Segment:
    """A segment of ``size`` bytes from RAM on that stores nothing, with these sections."""
    build = read_elf(
        CODE, SegmentSpec(RAM, memory_size=size, flags="rw", sections=sections or None), **options
    )
    return next(segment for segment in build.segments if segment.index == 1)


def test_a_gap_between_two_sections_is_not_taken() -> None:
    """Cleared data and what is shared, in one segment, leave what is between (gABI: sh_addr, sh_size)."""
    segment = _cleared(*STACK_BETWEEN)
    assert segment.run_span == WHOLE[0]
    assert segment.taken == segment.pieces == (Span(RAM, 0x3BF0), Span(LINK, 0x38))


def test_without_sections_the_segment_is_taken() -> None:
    """A file whose section headers were taken out, or lie past its end, goes by p_memsz."""
    spec = SegmentSpec(RAM, memory_size=0x4038, flags="rw", sections=STACK_BETWEEN)
    for data in (elf([CODE, spec], sections=False), elf([CODE, spec], header={"e_shoff": 1 << 30})):
        (_, segment) = read(data).segments
        assert segment.pieces == ()
        assert segment.taken == WHOLE


@pytest.mark.parametrize(
    ("sections", "taken"),
    {
        "alignment between two": (
            [(".bss", RAM, 0x3FF4 - ALIGNMENT_GAP + 1), (".link", RAM + 0x3FF4, 0x44)],
            WHOLE,
        ),
        "a gap in which an exception's frame fits": (
            [(".bss", RAM, 0x3FF4 - ALIGNMENT_GAP), (".link", RAM + 0x3FF4, 0x44)],
            (Span(RAM, 0x3FF4 - ALIGNMENT_GAP), Span(RAM + 0x3FF4, 0x44)),
        ),
        "sections that touch": ([(".bss", RAM, 0x4000), (".link", LINK, 0x38)], WHOLE),
        "overlays": (
            [(".one", RAM, 0x100), (".two", RAM, 0x300), (".three", RAM, 0x80), (".link", LINK, 0x38)],
            (Span(RAM, 0x300), Span(LINK, 0x38)),
        ),
        "memory after the last section": ([(".bss", RAM, 0x100)], WHOLE),
        "a gap in front": ([(".link", LINK, 0x38)], (Span(LINK, 0x38),)),
        "no section of any size": ([(".bss", RAM, 0), (".link", LINK, 0)], WHOLE),
        "an empty section in the gap": (
            [*STACK_BETWEEN, (".mark", RAM + 0x3E00, 0)],
            (Span(RAM, 0x3BF0), Span(LINK, 0x38)),
        ),
        "sections elsewhere only": ([(".far", RAM + 0x8000, 0x100)], WHOLE),
        "a section that reaches in from below and one out above": (
            [(".low", RAM - 0x100, 0x110), (".high", LINK, 0x1000)],
            (Span(RAM, 0x10), Span(LINK, 0x38)),
        ),
        "a section to the end of the address space": ([(".are", RAM, ADDRESS_SPACE - 1)], WHOLE),
    }.values(),
)
def test_which_memory_is_taken(sections, taken) -> None:
    """The stretches of a segment that stores nothing."""
    assert _cleared(*sections).taken == taken


def _stacks_around(bss: int, *, heap: int = RAM + 0xE60) -> list[SegmentSpec]:
    """Stacks and a heap in one segment, and in the gap cleared data, which is stored (AT) behind the code."""
    around = ((".mstack", RAM, 0x400), (".pstack", RAM + 0x400, 0x400), (".heap", heap, RAM + 0x8000 - heap))
    return [
        CODE,
        SegmentSpec(
            FLASH + 0x100,
            run_address=RAM + 0x800,
            memory_size=bss,
            flags="rw",
            sections=((".bss", RAM + 0x800, bss),),
        ),
        SegmentSpec(RAM, memory_size=0x8000, flags="rw", sections=around),
    ]


def test_a_segment_in_the_gap_of_another_has_its_own_section() -> None:
    """GNU ld keeps the load region of .data for a .bss that follows, and one segment then spans the other."""
    inner, outer = read_elf(*_stacks_around(0x65C)).segments[1:]
    assert (inner.taken, outer.pieces) == (
        (Span(RAM + 0x800, 0x65C),),
        (Span(RAM, 0x400), Span(RAM + 0x400, 0x400), Span(RAM + 0xE60, 0x71A0)),
    )


def test_a_section_that_reaches_into_another_segments_is_an_overlap() -> None:
    """The same segments, with a heap that begins before the cleared data ends."""
    (problem,) = refused(elf(_stacks_around(0x65C, heap=RAM + 0xE00)))
    assert problem.what == "two segments take the same memory at run time"


def test_a_section_without_bytes_ends_a_segment() -> None:
    """A stack that a script places at the end of RAM with nothing in it: lld's segment reaches up to there."""
    assert _cleared((".bss", RAM, 0x30), (".stack", RAM + 0x4038, 0)).taken == (Span(RAM, 0x30),)
    assert _cleared((".bss", RAM, 0x30), (".stack", RAM + 0x4030, 0)).taken == (Span(RAM, 0x4038),)


def test_sections_that_are_not_allocated_take_nothing() -> None:
    """A section without SHF_ALLOC in the gap, as scripts write for a stack, leaves it a gap."""
    sections = (*STACK_BETWEEN, (".stack_dummy", RAM + 0x3C00, 0x400))
    unallocated = {".stack_dummy": {"sh_flags": 1}}
    assert _cleared(*sections, section_headers=unallocated).taken == (Span(RAM, 0x3BF0), Span(LINK, 0x38))
    assert _cleared(*sections).taken == WHOLE


def test_room_for_thread_local_data_is_taken() -> None:
    """A .tbss (SHF_TLS, 0x400) that has room of its own counts; under the next section it adds nothing."""
    sections = (*STACK_BETWEEN, (".tbss", RAM + 0x3C00, 0x40))
    local = {".tbss": {"sh_flags": 0x403}}
    assert _cleared(*sections, section_headers=local).taken[0] == Span(RAM, 0x3C40)
    under = (*STACK_BETWEEN, (".tbss", RAM, 0x40))
    assert _cleared(*under, section_headers=local).taken[0] == Span(RAM, 0x3BF0)


def test_stored_bytes_count_whatever_sections_say() -> None:
    """Bytes in the file that no section covers are taken, beside the sections behind them."""
    data = SegmentSpec(FLASH + 0x100, bytes(range(1, 129)), run_address=RAM, memory_size=0x4038, flags="rw")
    data.sections = ((".data", RAM + 0x10, 8), (".link", LINK, 0x38))
    (_, segment) = read_elf(CODE, data).segments
    assert segment.pieces == (
        Span(RAM, 0x10), Span(RAM + 0x10, 8), Span(RAM + 0x18, 0x68), Span(LINK, 0x38),
    )  # fmt: skip
    assert segment.taken == (Span(RAM, 0x80), Span(LINK, 0x38))
    assert segment.taken_unstored == (Span(LINK, 0x38),)


def test_what_runs_where_it_is_stored_has_no_pieces() -> None:
    """A segment in flash stays whole, however many sections are in it."""
    text = SegmentSpec(FLASH, bytes(64), sections=((".vectors", FLASH, 16), (".text", FLASH + 48, 16)))
    (segment,) = read_elf(text).segments
    assert segment.pieces == ()


SIZES = st.integers(0, 48)
SECTIONS = st.lists(st.builds(Span, st.integers(RAM - 64, RAM + 256), st.integers(0, 100)), max_size=6)


@given(SECTIONS, SIZES, SIZES)
def test_taken_is_what_a_byte_by_byte_look_gives(sections, stored, more) -> None:
    """A byte counts if it is stored, in a section, behind the last one, or in no more than alignment."""
    segment = Segment(FLASH, RAM, bytes(stored), stored + 4 * more, True, True, False, 0)
    (result,) = with_pieces([segment], sections)
    bytes_of = set(range(RAM, segment.run_span.end))
    ends = Span(segment.run_span.end, 0) in sections
    covered = {at for span in sections for at in range(span.start, span.end)} & bytes_of
    expected = {
        at
        for at in bytes_of
        if at in covered or at < RAM + stored or not covered or (at > max(covered) and not ends)
    }
    exact = {at for span in result.pieces or (result.run_span,) for at in range(span.start, span.end)}
    assert exact == expected
    taken = {at for span in result.taken for at in range(span.start, span.end)}
    assert expected <= taken <= bytes_of
    assert sum(span.size for span in result.pieces) in (0, len(expected))
    gaps = merge(
        Span(at, 1) for at in range(min(expected, default=0), max(expected, default=0)) if at not in taken
    )
    assert all(gap.size >= ALIGNMENT_GAP for gap in gaps)


def test_many_sections_in_many_segments_cost_little() -> None:
    """As many headers as are read, under segments that all store the same byte over each other."""
    sections = [Span(RAM + 64 * n, 1) for n in range(MAX_SECTIONS)]
    segments = [Segment(FLASH, RAM, b"\1", 64 * MAX_SECTIONS, True, True, False, n) for n in range(1024)]
    with within(2):
        result = with_pieces(segments, sections)
    tracemalloc.start()
    try:
        with_pieces(segments, sections)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 32 << 20
    assert sum(len(segment.pieces) for segment in result) <= 4 * MAX_SECTIONS
    assert result[-1].pieces == ()
    assert result[0].pieces[:2] == (Span(RAM, 1), Span(RAM + 64, 1))
