"""Use per area against a count byte by byte, in the data and as printed."""

from __future__ import annotations

import re

import pytest
import small_device
from elf_writer import SegmentSpec
from hypothesis import given
from hypothesis import strategies as st
from shown_images import gauge, plain, small, spoiled

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.show.as_text.whole import text_of
from gemel.show.facts.contents import Contents
from gemel.show.facts.gather import contents_of
from gemel.show.facts.used_bytes import JOINING_GAP, blank_runs, content_runs, per_cent
from gemel.spans import Span
from gemel.text.styled import ASCII, BLOCKS

ERASED = 0xFF
FLASH_SIZE = 16 << 10
READ, BUILDS = small_device.layout(), small_device.builds()
JOINED = small_device.joined(READ, BUILDS).image
KNOWN = {
    "station": (0, 304),  # 32 vectors, 128 bytes of code, 2 constants, a note of 36 bytes, whole units of 8
    "sampler": (0x1000, 296),
    "station-crc": (0xFFC, 4),
    "record": (0x2800, 192 + 2 * 160 + 4),  # header, two entries, CRC
}
"""Offset and size of what the small device's image is known to hold, from the layout and the files."""


def used_offsets(image: SparseBytes, known: dict[str, tuple[int, int]]) -> set[int]:
    """Offsets of the used bytes of flash, one by one: known parts, and other bytes that are not erased.

    Fewer than JOINING_GAP free bytes between two other bytes of one area count as used with them.
    """
    data = image.read(Span(small_device.FLASH, FLASH_SIZE), ERASED)
    taken = {offset + i for offset, size in known.values() for i in range(size)}
    used = set(taken)
    edges = sorted(area_edges())
    for first, end in zip(edges, [*edges[1:], FLASH_SIZE], strict=True):
        last = None
        for offset in range(first, end):
            if offset in taken:
                last = None
            elif data[offset] != ERASED:
                if last is not None and offset - last <= JOINING_GAP:
                    used.update(range(last, offset))
                used.add(offset)
                last = offset
    return used


def area_edges() -> set[int]:
    """Offsets in flash at which an area begins or the last one ends."""
    return {0, 0x1000, 0x2000, 0x2800, 0x2C00, 0x3000}


def uses(contents: Contents) -> dict[Span, int]:
    """Used bytes of each area of flash and of what no area takes."""
    flash = next(memory for memory in contents.memories if memory.name == "flash")
    return {area.span: area.used for area in flash.areas}


scribbles = st.lists(
    st.tuples(st.integers(0x130, FLASH_SIZE - 64), st.binary(max_size=60)).filter(
        lambda pair: not 0x1000 <= pair[0] + 60 < 0x1190 and not 0x27C0 <= pair[0] < 0x2A10
    ),
    max_size=12,
)


@given(scribbles)
def test_use_equals_a_count_byte_by_byte(pieces):
    """Whatever is written outside builds and record, each area's use is what counting its bytes gives."""
    image = JOINED.copy()
    for offset, data in pieces:
        image.write(small_device.FLASH + offset, data)
    known = dict(KNOWN)
    start, size = known["station-crc"]
    if image.read(Span(small_device.FLASH + start, size), ERASED) == b"\xff" * size:
        del known["station-crc"]
    contents = contents_of(Inspection(READ, image, BUILDS), "small.hex")
    counted = used_offsets(image, known)
    for span, used in uses(contents).items():
        start = span.start - small_device.FLASH
        assert used == sum(offset in counted for offset in range(start, start + span.size))


@pytest.mark.parametrize("signs", [BLOCKS, ASCII])
@pytest.mark.parametrize("arrangement", ["in-place", "copied", "two-banks"])
def test_printed_use_is_that_of_the_data(arrangement, signs):
    """The numbers in the rows of the gauge's areas are those of the data, in bytes and per cent."""
    contents = gauge(arrangement)
    text = plain(text_of(contents, 80, signs))
    for memory in contents.memories:
        for area in (area for area in memory.areas if area.name):
            row = re.search(rf"^{area.name} +0x\S+ .*?([\d,]+) of (\d+) KiB +([\d.]+) %$", text, re.MULTILINE)
            assert row, area.name
            assert int(row[1].replace(",", "")) == area.used
            assert int(row[2]) << 10 == area.span.size
            assert abs(float(row[3]) - 100 * area.used / area.span.size) <= 0.5


def test_gauge_use_equals_an_independent_count():
    """The gauge's flash areas use what pyelftools finds in the builds, padded, and their checksums."""
    from tide_gauge import BUILT, read_elf

    for arrangement, unit in (("in-place", 16), ("copied", 16), ("two-banks", None)):
        areas = {area.name: area for memory in gauge(arrangement).memories for area in memory.areas}
        for build in ("station", "sampler"):
            size = read_elf(BUILT / arrangement / f"{build}.elf").size
            padding = unit or {"station": 8, "sampler": 4}[build]
            assert areas[f"{build}-code"].used == -(-size // padding) * padding + 4


def test_parts_add_up():
    """Used and free make the area; parts lie inside it; the memory's use is the sum; nothing is missed."""
    for contents in (gauge("copied"), small(spoiled), small(builds=BUILDS)):
        for memory in contents.memories:
            assert sum(area.span.size for area in memory.areas) == memory.span.size
            assert memory.used == sum(area.used for area in memory.areas)
            for area in memory.areas:
                assert area.used + area.free == area.span.size
                assert (area.largest_free is None) == (area.free == 0)
                for part in area.parts:
                    assert part.size == sum(span.size for span in part.spans)
                    assert all(area.span.covers(span) for span in part.spans)


def test_a_hex_and_a_full_binary_show_the_same_use():
    """Flash that the file fills with erased bytes is as free as flash that it leaves out."""
    full = JOINED.copy()
    span = Span(small_device.FLASH, FLASH_SIZE)
    full.write(span.start, JOINED.read(span, ERASED))
    pictures = [contents_of(Inspection(READ, image, BUILDS), "x").memories for image in (JOINED, full)]
    assert pictures[0] == pictures[1]


def test_ram_is_what_the_builds_claim():
    """RAM shows the builds' claims where both have an ELF file, and says that it cannot know without."""
    ram = {memory.name: memory for memory in small(builds=BUILDS).memories}["ram"]
    assert ram.all_known
    assert ram.used == 0x400 + 0x200
    alone = {memory.name: memory for memory in small().memories}["ram"]
    assert not alone.all_known
    assert "use not known" in plain(text_of(small(), 80, BLOCKS))


def test_a_gap_in_a_segment_is_free_ram():
    """RAM between two sections of one segment is free in the figures of memory, area and build alike."""
    ram, link = small_device.RAM_OF_SAMPLER + 0x2000, small_device.RAM_OF_SAMPLER + 0x3000
    sections = ((".bss", ram, 0x300), (".link", link, 0x40))
    one = SegmentSpec(ram, memory_size=link + 0x40 - ram, flags="rw", sections=sections)
    contents = small(builds=small_device.builds(sampler=small_device.sampler_elf(ram=one)))
    memory = {memory.name: memory for memory in contents.memories}["ram"]
    assert memory.used == 0x400 + 0x300 + 0x40
    assert {area.name: area.used for area in memory.areas if area.used} == {
        "station-ram": 0x400,
        "sampler-ram": 0x300,
        "link": 0x40,
    }
    assert {each.name: each.ram for each in contents.builds} == {"station": 0x400, "sampler": 0x340}


@given(st.binary(max_size=400), st.integers(0, 255), st.integers(0, 1 << 16))
def test_content_runs_against_a_walk(data, erased, start):
    """Runs of content are what a walk over the bytes finds, and do not depend on where pieces end."""
    image = SparseBytes()
    image.write(start, data)
    expected: list[list[int]] = []
    for offset, byte in enumerate(data):
        if byte != erased:
            if expected and offset - expected[-1][1] < JOINING_GAP:
                expected[-1][1] = offset + 1
            else:
                expected.append([offset, offset + 1])
    runs = content_runs(image, Span(start, len(data)), erased)
    assert runs == [Span.from_bounds(start + first, start + end) for first, end in expected]


def test_content_runs_across_blocks():
    """A run that crosses the blocks in which bytes are looked at is one run."""
    image = SparseBytes()
    image.write(0x1000, b"\xff" * 10 + b"x" * 200_000 + b"\xff" * 10)
    assert content_runs(image, Span(0x1000, 1 << 20), 0xFF) == [Span(0x100A, 200_000)]


def test_blank_runs():
    """Long stretches of 0xFF or 0x00 are blank; short ones and other bytes are not."""
    image = SparseBytes()
    image.write(0, b"a" + b"\xff" * 256 + b"\x00" * 255 + b"b" + b"\x00" * 300 + b"c" * 500)
    assert [(blank.span, blank.byte) for blank in blank_runs(image)] == [
        (Span(1, 256), 0xFF),
        (Span(513, 300), 0x00),
    ]


@given(st.integers(1, 1 << 32), st.data())
def test_per_cent_is_exact_at_its_ends(whole, data):
    """0 and 100 per cent mean none and all; otherwise the number is within a tenth."""
    part = data.draw(st.integers(0, whole))
    share = per_cent(part, whole)
    assert (share == 0) == (part == 0)
    assert (share == 100) == (part == whole)
    assert abs(share - 100 * part / whole) <= 0.1000001


@pytest.mark.parametrize(("gap", "runs"), [(JOINING_GAP - 1, 1), (JOINING_GAP, 2)])
def test_the_gap_that_parts_content(gap, runs):
    """Fifteen erased bytes belong to the content around them, sixteen part it."""
    image = SparseBytes()
    image.write(0x100, b"a" + b"\xff" * gap + b"b")
    assert len(content_runs(image, Span(0x100, 64), 0xFF)) == runs
    assert JOINING_GAP == 16
