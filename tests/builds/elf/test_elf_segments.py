"""Which bytes of an ELF file are stored where, and which memory it takes at run time."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, elf
from reading_builds import CODE, FLASH, RAM, CountingSource, one_refusal, read, read_elf, refused

from gemel.builds.reader import read_build
from gemel.spans import Span

DATA = SegmentSpec(FLASH + 0x100, b"initial!", run_address=RAM, memory_size=8, flags="rw")
CLEARED = SegmentSpec(RAM + 8, memory_size=0x400, flags="rw")


def test_load_address_places_and_run_address_claims() -> None:
    """Bytes are stored by p_paddr, memory is claimed by p_vaddr and p_memsz (AAELF32, "Program Header")."""
    build = read_elf(CODE, DATA, CLEARED)
    assert [(s.load_span, s.run_span, s.index) for s in build.segments] == [
        (Span(FLASH, 64), Span(FLASH, 64), 0),
        (Span(FLASH + 0x100, 8), Span(RAM, 8), 1),
        (Span(RAM + 8, 0), Span(RAM + 8, 0x400), 2),
    ]
    assert [segment.taken for segment in build.segments] == [
        (Span(FLASH, 64),),
        (Span(RAM, 8),),
        (Span(RAM + 8, 0x400),),
    ]
    assert build.stored_size == 72
    assert [segment.data for segment in build.stored] == [CODE.data, b"initial!"]


def test_file_size_below_memory_size() -> None:
    """What a segment has beyond its bytes is claimed, not stored."""
    build = read_elf(SegmentSpec(FLASH, b"1234", run_address=RAM, memory_size=100, flags="rw"))
    assert build.segments[0].load_span == Span(FLASH, 4)
    assert build.segments[0].run_span == Span(RAM, 100)


def test_order_is_that_of_load_addresses() -> None:
    """Segments come by load address, whatever the order of the program headers; gaps are kept."""
    build = read_elf(
        SegmentSpec(FLASH + 0x8000, b"late", run_address=RAM),
        SegmentSpec(FLASH, b"first", run_address=RAM + 0x100),
        SegmentSpec(FLASH + 0x4000, b"middle", run_address=RAM + 0x80),
    )
    assert [(s.load_address, s.data, s.index) for s in build.segments] == [
        (FLASH, b"first", 1),
        (FLASH + 0x4000, b"middle", 2),
        (FLASH + 0x8000, b"late", 0),
    ]


def test_access_rights() -> None:
    """The permissions are those of p_flags, execute-only code included."""
    build = read_elf(
        SegmentSpec(FLASH, b"x", flags="x"),
        SegmentSpec(FLASH + 1, b"rw", flags="rw"),
        SegmentSpec(FLASH + 3, b"rwx", flags="rwx"),
    )
    assert [(s.readable, s.writable, s.executable) for s in build.segments] == [
        (False, False, True),
        (True, True, False),
        (True, True, True),
    ]


def test_other_types_are_not_loaded() -> None:
    """Segments that are not PT_LOAD, and loadable ones of no size, are left out."""
    build = read_elf(
        CODE,
        SegmentSpec(FLASH + 0x1000, b"tables", type=0x7000_0001),
        SegmentSpec(FLASH + 0x2000, b"notes", type=4),
        SegmentSpec(FLASH + 0x3000, b""),
    )
    assert [segment.index for segment in build.segments] == [0]


def test_end_of_the_address_space_is_allowed() -> None:
    """A segment may end with the last address, stored and at run time."""
    build = read_elf(SegmentSpec(0xFFFF_FFF0, bytes(16)))
    assert build.segments[0].load_span.last == 0xFFFF_FFFF


def _with(**fields: int) -> bytes:
    """One sound segment whose program header has ``fields`` replaced."""
    return elf([CODE], program_headers={0: fields})


SIZE = len(elf([CODE]))
BAD_SEGMENTS = {
    "data past the end": (
        _with(p_offset=SIZE - 63),
        ["the file is cut: bytes of a segment", f"{SIZE:,} bytes", f"at least {SIZE + 1:,} bytes"],
    ),
    "offset past the end": (
        _with(p_offset=0x7000_0000),
        ["the file is cut", f"at least {0x7000_0040:,} bytes"],
    ),
    "offset plus size wraps": (
        _with(p_offset=0xFFFF_FFF0),
        ["the file is cut", f"at least {0xFFFF_FFF0 + 64:,} bytes"],
    ),
    "more in the file than in memory": (
        _with(p_memsz=63),
        ["more bytes in the file than in memory", "64 in the file, 63 in memory"],
    ),
    "file bytes and no memory": (_with(p_memsz=0), ["64 in the file, 0 in memory"]),
    "load address wraps": (
        _with(p_paddr=0xFFFF_FFE0),
        ["stored bytes run past", "64 bytes from 0xFFFF_FFE0 on"],
    ),
    "run address wraps": (
        _with(p_vaddr=0xFFFF_FFE0),
        ["run-time bytes run past", "64 bytes from 0xFFFF_FFE0 on"],
    ),
    "huge memory size": (
        _with(p_memsz=0xFFFF_FFFF),
        ["run-time bytes run past", "4,294,967,295 bytes from 0x1000_0000 on"],
    ),
    "nothing loadable": (_with(p_type=4), ["empty", "loadable segments: 0", "at least one"]),
    "nothing stored": (elf([CLEARED]), ["empty", "no bytes in the file (loadable segments: 1)"]),
    "shared file bytes": (
        elf(
            [CODE] * 5,
            program_headers={n: {"p_offset": 52, "p_filesz": 200, "p_memsz": 200} for n in range(5)},
        ),
        ["segments share bytes of the file", "1,000 bytes in all"],
    ),
    "different bytes at one address": (
        elf([CODE, SegmentSpec(FLASH + 60, b"\x3c\x3d\x00\x3f more", run_address=RAM)]),
        [
            "different bytes at the same addresses",
            "segments 0 and 1",
            "0x3E and 0x00 at 0x1000_003E",
            "overlap 0x1000_003C..0x1000_003F",
        ],
    ),
    "different bytes inside another": (
        elf([CODE, SegmentSpec(FLASH + 8, b"\xff", run_address=RAM)]),
        ["segments 0 and 1", "0x08 and 0xFF at 0x1000_0008"],
    ),
    "different bytes below a longer one": (
        elf(
            [
                CODE,
                SegmentSpec(FLASH + 8, b"\x08", run_address=RAM),
                SegmentSpec(FLASH + 32, b"\x20\xff", run_address=RAM + 8),
            ]
        ),
        ["segments 0 and 2", "0x21 and 0xFF at 0x1000_0021"],
    ),
    "same memory at run time": (
        elf([CODE, DATA, SegmentSpec(FLASH + 0x200, b"other", run_address=RAM + 4)]),
        ["same memory at run time", "segments 1 and 2", "0x2000_0004..0x2000_0007"],
    ),
    "cleared memory over initialised": (
        elf([CODE, DATA, SegmentSpec(RAM + 7, memory_size=16)]),
        ["same memory at run time", "segments 1 and 2", "0x2000_0007..0x2000_0007"],
    ),
}


@pytest.mark.parametrize("name", BAD_SEGMENTS)
def test_bad_segments(name: str) -> None:
    """Each bad segment is refused with one problem that says what was found and what was expected."""
    data, words = BAD_SEGMENTS[name]
    text = " | ".join(map(str, refused(data)))
    missing = [word for word in words if word not in text]
    assert not missing, f"{missing} not in: {text}"


def test_size_near_4_gib() -> None:
    """Sizes near 2**32 are told in full, before anything is read for them."""
    source = CountingSource(_with(p_filesz=0xFFFF_FFF0, p_memsz=0xFFFF_FFF0))
    with pytest.raises(Exception, match="at least 4,294,967,364 bytes") as caught:
        read_build(source, name="sampler", file="sampler.elf")
    assert len(caught.value.problems) == 3
    assert sum(size for _, size in source.reads) < 1000


def test_every_bad_segment_is_told() -> None:
    """Two bad segments and what is wrong with each come in one error."""
    data = elf(
        [CODE, DATA], program_headers={0: {"p_memsz": 1}, 1: {"p_paddr": 0xFFFF_FFFE, "p_offset": 1 << 30}}
    )
    assert [problem.where[-9:] for problem in refused(data)] == ["segment 0", "segment 1", "mpler.elf"]


def test_a_cut_file_is_one_problem() -> None:
    """A file that ends before several of its segments is one problem, with the size that it should have."""
    whole = elf([CODE, DATA])
    (problem,) = refused(whole[: whole.index(CODE.data) + 10])
    assert (problem.what, problem.expected) == (
        "the file is cut: bytes of 2 segments are past its end",
        f"at least {whole.index(DATA.data) + len(DATA.data):,} bytes",
    )


def test_equal_bytes_twice_are_a_remark() -> None:
    """Two segments that store and run the same bytes at the same addresses are read with a remark."""
    build = read_elf(CODE, SegmentSpec(FLASH + 32, CODE.data[32:]))
    assert len(build.remarks) == 1
    assert "segments 0 and 1" in build.remarks[0].where
    assert build.remarks[0].found == "0x1000_0020..0x1000_003F"


def test_equal_bytes_with_other_run_addresses_still_collide() -> None:
    """Equal stored bytes do not excuse that both segments use the same memory differently."""
    text = one_refusal(
        elf([SegmentSpec(FLASH, bytes(64)), SegmentSpec(FLASH + 32, bytes(64), run_address=FLASH + 40)])
    )
    assert "same memory at run time" in text


def test_segment_with_the_elf_header_is_a_remark() -> None:
    """A segment that begins at file offset 0 carries the ELF header into flash, which is told."""
    build = read(elf([SegmentSpec(FLASH, bytes(84), offset=0)]))
    assert build.segments[0].data.startswith(b"\x7fELF")
    assert len(build.remarks) == 1
    assert "carries the ELF file's own header" in str(build.remarks[0])
    assert "segment 0" in build.remarks[0].where
    assert "--nmagic" in build.remarks[0].next_step
    assert "max-page-size" not in build.remarks[0].next_step


def test_only_what_is_needed_is_read() -> None:
    """Debug information and symbols are not read when a build is loaded, whose code has bytes from 0x80 on."""
    code = SegmentSpec(CODE.load_address, bytes(range(0x60, 0xA0)))
    debug = SegmentSpec(0, bytes(1 << 20), type=0x6FFF_FFFF)
    source = CountingSource(elf([code, debug], symbols=[], build_id=bytes(20), attributes={6: 17}))
    read_build(source, name="sampler", file="sampler.elf")
    assert sum(size for _, size in source.reads) < 6000
