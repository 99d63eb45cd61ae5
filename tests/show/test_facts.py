"""Records, vectors, stamps and the file alone: that what is told is so."""

from __future__ import annotations

import hashlib
import zlib

import pytest
import small_device
from elf_writer import SymbolSpec
from shown_images import gauge, gauge_alone, gauge_layout, plain, small, spoiled, stale_builds
from tide_gauge import BUILT, read_elf

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.m_profile.vector_tables import word_name_for
from gemel.show.as_text.whole import text_of
from gemel.show.facts.gather import MAX_HINTS, contents_of, contents_of_file
from gemel.spans import Span
from gemel.text.styled import BLOCKS

BUILDS = small_device.builds()

# The exception tables of the vendor-neutral core header templates: numbers 1 to 15, "-" for reserved.
# Armv6-M and Armv8-M Baseline, Armv7-M, Armv8-M Mainline with and without the Security Extension.
SMALL = "Reset NMI HardFault - - - - - - - SVCall - - PendSV SysTick"
LARGE = "Reset NMI HardFault MemManage BusFault UsageFault - - - - SVCall DebugMonitor - PendSV SysTick"
EXCEPTIONS = {
    ("armv6-m", ()): SMALL,
    ("armv8-m.base", ("security",)): SMALL,
    ("armv7-m", ()): LARGE,
    ("armv7e-m", ("security",)): LARGE,
    ("armv8-m.main", ()): LARGE,
    ("armv8.1-m.main", ("security",)): LARGE.replace("UsageFault -", "UsageFault SecureFault"),
}


@pytest.mark.parametrize(("architecture", "extensions"), EXCEPTIONS)
def test_exception_names(architecture, extensions):
    """Each architecture's exceptions have the names of the core header templates."""
    names = [word_name_for(index, architecture, extensions) for index in range(1, 17)]
    expected = EXCEPTIONS[architecture, extensions].replace("-", "reserved").split()
    assert names == [*expected, "interrupt 0"]


def groups(contents, build):
    """The groups of one build's vector table by the number of their first entry."""
    table = next(table for table in contents.vector_tables if table.build == build)
    return {group.first: group for group in table.groups}


def test_vector_groups_cover_the_table_in_order():
    """The groups of every table are its words, each entry once, in the file's own bytes."""
    read = gauge_layout("in-place")
    station = read_elf(BUILT / "in-place" / "station.elf")
    table = gauge("in-place").vector_tables[0]
    words = []
    for group in table.groups:
        assert group.first == len(words)
        words += [int(group.value)] * (group.last - group.first + 1)
    data = station.segments[0][2][: 4 * len(words)]
    assert words == [int.from_bytes(data[i : i + 4], "little") for i in range(0, len(data), 4)]
    assert len(words) == table.entries == 16 + read.layout.cores["station"].interrupts


def test_handlers_have_the_names_of_their_functions():
    """Handlers carry symbols where the ELF file is given, and none otherwise."""
    reset = groups(gauge("copied"), "sampler")[1]
    symbols = read_elf(BUILT / "copied" / "sampler.elf").symbols
    assert symbols[reset.symbol] & ~1 == reset.value & ~1
    assert groups(gauge("copied", with_builds=False), "sampler")[1].symbol is None


def test_a_global_name_is_preferred_and_hostile_names_are_defused():
    """Of several functions at one address the global one is told; control characters are not printed."""
    extra = (
        SymbolSpec("a_weak_name", small_device.STATION + 0x81, 8, binding="weak"),
        SymbolSpec("evil\x1b[2Jname", small_device.STATION + 0x89, 8),
        SymbolSpec("__end_of_what_is_before", small_device.STATION + 0x80, 0, "notype"),
    )
    handed = small_device.builds(station=small_device.station_elf(symbols=extra))
    contents = small(builds=handed)
    assert groups(contents, "station")[1].symbol == "reset_handler"
    assert "\x1b" not in plain(text_of(contents, 80, BLOCKS))


def test_odd_handlers_are_told():
    """No Thumb bit, a handler of the other build, one of nowhere, unused and erased ones: each in words."""
    words = {
        2: small_device.STATION + 0x88,
        3: small_device.SAMPLER + 0x89,
        4: 0x2000_0001,
        20: 0,
        21: 0,
        22: 0xFFFF_FFFF,
        9: 5,
    }
    handed = small_device.builds(station=small_device.station_elf(words=words))
    read = small_device.layout()
    image = small_device.joined(read, handed).image
    contents = contents_of(Inspection(read, image, handed), "small.hex")
    station = groups(contents, "station")
    assert station[2].note == "NO THUMB BIT"
    assert station[3].note == "IN BUILD sampler"
    assert station[4].note == "OUTSIDE ITS BUILD"
    assert station[9].note == "not zero"
    assert (station[20].last, station[20].note) == (21, "unused")
    assert station[22].note == "erased"
    assert contents.vector_tables[0].unused == 3


@pytest.mark.parametrize(
    ("stack", "note"),
    [
        (small_device.STATION_RAM + 0x2000, "end of station-ram"),
        (small_device.STATION_RAM + 0x1000, "in station-ram"),
        (0x6000_0000, "in no memory"),
    ],
)
def test_the_stack_pointer_is_placed(stack, note):
    """Word 0 is told by the area it points to: below it lies the first byte pushed."""
    handed = small_device.builds(station=small_device.station_elf(words={0: stack}))
    image = small_device.joined(handed=handed).image
    contents = contents_of(Inspection(small_device.layout(), image, handed), "small.hex")
    assert groups(contents, "station")[0].note == note


def test_digests_in_the_record_are_compared_with_the_image():
    """Verdicts follow the bytes, which zlib and hashlib digest here: a changed image differs."""
    sound = small(builds=BUILDS).records[0]
    image = small_device.joined().image
    for build in sound.builds:
        data = image.read(build.stored, 0xFF)
        assert zlib.crc32(data) == build.crc32
        assert hashlib.sha256(data).digest() == build.sha256
        assert {build.crc32_of_image, build.sha256_of_image, build.build_id_of_file} == {"matches"}
    assert (sound.layout, sound.rest, sound.in_its_area) == ("matches", "matches", True)
    changed = small(stale_builds, builds=BUILDS).records[0]
    assert {build.sha256_of_image for build in changed.builds} == {"differs"}
    assert {build.crc32_of_image for build in changed.builds} == {"differs"}
    rest = small(lambda image: image.write(small_device.FLASH + 0x3800, b"more")).records[0]
    assert (rest.rest, rest.builds[0].sha256_of_image) == ("differs", "matches")


def test_another_layout_and_other_builds_are_told():
    """A record of another layout, and ELF files with other build ids, differ in words."""
    other = small_device.layout({'"small device"': '"smaller device"'})
    handed = small_device.builds(sampler=small_device.sampler_elf(build_id=bytes(20)))
    image = small_device.joined().image
    contents = contents_of(Inspection(other, image, handed), "small.hex")
    record = contents.records[0]
    assert record.layout == "differs"
    assert [build.build_id_of_file for build in record.builds] == ["matches", "differs"]
    text = plain(text_of(contents, 80, BLOCKS))
    assert "DIFFERS from the layout given" in text
    assert "DIFFERS from the ELF" in text


def test_a_broken_and_a_misplaced_record():
    """A damaged record is told with its faults; a sound one elsewhere as not where the layout says."""
    assert small(spoiled).broken_records[0].problems
    assert not small(spoiled).broken_records[0].missing

    def moved(image):
        record = Span(small_device.RECORD, 516)
        data = image.read(record, 0xFF)
        image.erase(record)
        image.write(small_device.FLASH + 0x3400, data)

    contents = small(moved)
    assert contents.records[0].in_its_area is False
    assert contents.broken_records[0].missing
    assert "NOT WHERE THE LAYOUT SAYS" in plain(text_of(contents, 80, BLOCKS))


def test_a_layout_without_a_record():
    """Without a record in the layout none is missed, and builds are guessed from their areas."""
    text = small_device.layout_text().split("[record]")[0]
    read = small_device.read_layout(text.encode(), "small.toml")
    contents = small(layout=read, builds={})
    assert contents.records == contents.broken_records == ()
    assert {build.known_from for build in contents.builds} == {"layout"}


def test_stamps_and_checksums_are_compared():
    """Stamps and checksums match in a sound image; a changed one differs and the right value is told."""
    assert {value.match for value in gauge("copied").values} == {"matches"}

    def wrong(image):
        image.write(small_device.STATION + 0xFFC, b"\x00\x00\x00\x00")

    length, crc = small(wrong, builds=BUILDS).values
    assert length.match == "matches"
    assert (length.value, length.shown) == ((304).to_bytes(4, "little"), "304 (0x00000130)")
    assert crc.match == "differs"
    image = small_device.joined().image
    covered = image.read(Span(small_device.STATION, 0xFFC), 0xFF)
    assert crc.expected == f"0x{zlib.crc32(covered):08X}"
    unknown = small().values[0]
    assert (unknown.match, unknown.span) == ("not known", None)
    assert "station=FILE.elf" in unknown.expected


def test_the_forms_of_values():
    """Texts, versions, addresses, digests and build ids are shown as what they are."""
    stamps = [
        ("text", "8", '"tide"', "'tide'"),
        ("version", "8", '{ version = "text" }', "'1.2.3'"),
        ("packed", "4", '{ version = "packed" }', "1.2.3 (0x01020003)"),
        ("counter", "4", "{ rollback = true }", "7 (0x00000007)"),
        ("start", "4", '{ start_of = "sampler" }', "0x1000_1000"),
        ("id", "20", '{ build_id_of = "sampler" }', small_device.SAMPLER_ID.hex()),
        ("fixed", "2", "513", "513 (0x0201)"),
    ]
    add = ""
    for index, (name, width, value, _) in enumerate(stamps):
        add += f'\n[[stamp]]\nname = "{name}"\nat = {small_device.FLASH + 0x3000 + 32 * index}\n'
        add += f"width = {width}\nvalue = {value}\n"
    contents = small(layout=small_device.layout(add=add), builds=BUILDS)
    shown = {value.name: value for value in contents.values}
    for name, _, _, expected in stamps:
        assert shown[name].shown == expected
        assert shown[name].match == "matches"


def test_bytes_outside_every_memory():
    """Bytes that the layout has no memory for are told."""
    contents = small(spoiled)
    assert contents.outside == (Span(0x4000_0000, 12),)
    assert "outside every memory" in plain(text_of(contents, 80, BLOCKS))


def test_the_file_alone():
    """Without a layout: pieces that cover the file, the record, and hints at both vector tables."""
    contents = gauge_alone("copied")
    assert contents.layout is None
    assert sum(piece.span.size for piece in contents.pieces) == contents.image.size
    assert [piece.name for piece in contents.pieces if piece.kind == "build"] == ["station", "sampler"]
    assert contents.records[0].rest == "not known"
    assert {build.crc32_of_image for build in contents.records[0].builds} == {"matches"}
    places = [(int(hint.start), hint.runs_from_ram) for hint in contents.vector_hints]
    assert places == [(0x1000_0000, False), (0x1000_8000, True)]


def test_hints_are_bounded_and_need_whole_words():
    """A file full of what looks like tables gives a bounded number of hints; a cut table gives none."""
    table = small_device.vector_words(0x2000_2000, 0x1000_0081)[:16].ljust(128, b"\0")
    image = SparseBytes()
    image.write(0x1000_0000, table * 100)
    assert len(contents_of_file(image, "x").vector_hints) == MAX_HINTS
    cut = SparseBytes()
    cut.write(0x1000_0000, table[:15])
    assert contents_of_file(cut, "x").vector_hints == ()


def test_many_pieces_stay_readable():
    """A file of hundreds of pieces is drawn by its largest ones, and the rest is counted."""
    image = SparseBytes()
    for index in range(300):
        image.write(0x0800_0000 + 1024 * index, bytes(range(1, 2 + index % 200)))
    text = plain(text_of(contents_of_file(image, "x"), 80, BLOCKS))
    assert len(text.splitlines()) < 60
    assert "and 276 smaller pieces" in text


def test_why_a_value_is_not_known():
    """A value that rests on a build that is not there, or on a version nobody gave, says so."""
    place = small_device.FLASH + 0x3000
    add = (
        f'\n[[stamp]]\nname = "length"\nat = {place}\nwidth = 4\nvalue = {{ size_of = "sampler" }}\n'
        f'[[stamp]]\nname = "shipped"\nat = {place + 8}\nwidth = 4\nvalue = {{ version = "packed" }}\n'
        f'[[checksum]]\nname = "own"\nalgorithm = {{ width = 16, poly = 0x1021, init = 0, refin = false,'
        f' refout = false, xorout = 0 }}\nover = [{{ build = "sampler" }}]\nat = {place + 16}\n'
    )
    read = small_device.layout({'version = "1.2.3"\n': ""}, add)
    values = {value.name: value for value in contents_of(Inspection(read, SparseBytes()), "x").values}
    assert values["length"].expected == values["own"].expected == "build sampler is not in the image"
    assert values["shipped"].match == "not known"
    assert "version" in values["shipped"].expected
    assert values["own"].source == "CRC of 16 bits, polynomial 0x1021"


def test_a_record_of_bytes_that_are_not_there():
    """Without a layout, digests of bytes that the file does not hold differ: nobody knows what they are."""
    image = small_device.joined().image
    image.erase(Span(small_device.STATION + 8, 8))
    contents = contents_of_file(image, "x")
    station, sampler = contents.records[0].builds
    assert (station.crc32_of_image, station.sha256_of_image) == ("differs", "differs")
    assert sampler.sha256_of_image == "matches"
    assert [piece.name for piece in contents.pieces if piece.kind == "build"] == ["sampler"]


def test_many_runs_outside_memories_are_counted():
    """Of many runs outside every memory the first are told and the rest counted."""

    def scatter(image):
        for index in range(12):
            image.write(0x4000_0000 + 32 * index, b"x")

    text = plain(text_of(small(scatter), 80, BLOCKS))
    assert "and 4 runs more, 4 bytes" in text
