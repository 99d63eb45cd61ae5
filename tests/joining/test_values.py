"""What join writes: every kind of stamp, checksums in their order, the record, and all that it refuses."""

from __future__ import annotations

import hashlib
import struct
import zlib

import pytest
from elf_writer import SymbolSpec
from refusals import refused, whats
from small_device import (
    FLASH,
    RECORD,
    SAMPLER,
    SAMPLER_ID,
    STATION,
    STATION_ID,
    build,
    builds,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from vector_fixtures import RECORD_TABLE, RUN, STAMP_TABLE, copied_layout, copied_sampler

from gemel.errors import LayoutError, UsageProblem
from gemel.joining.pipeline import join
from gemel.joining.stamps import StampSources
from gemel.joining.values import write_values
from gemel.layout.reader import ReadLayout, read_layout
from gemel.placement.placed import Version
from gemel.placement.places import SymbolPlaces
from gemel.record.record import record_size
from gemel.spans import Span

OVER = 'over = [{ area = "station-code", offset = 0, size = 0xFFC }]'
FREE = SAMPLER + 0x800
"""Flash in the sampler's area, behind its build."""


def _stamp(name: str, value: str, width: int = 4, offset: int = 0x800, more: str = "") -> str:
    return (
        f'[[stamp]]\nname = "{name}"\nat = {{ area = "sampler-code", offset = {offset} }}\n'
        f"width = {width}\nvalue = {value}\n{more}"
    )


def _checksum(name: str, over: str, at: str, algorithm: str = "CRC-32/ISO-HDLC") -> str:
    return f'[[checksum]]\nname = "{name}"\nalgorithm = "{algorithm}"\nover = {over}\nat = {at}\n'


@pytest.mark.parametrize(
    ("value", "width", "more", "expected"),
    [
        ("0x1234", 4, "", b"\x34\x12\0\0"),
        ("0x1234", 4, 'byte_order = "big"\n', b"\0\0\x12\x34"),
        ("0", 1, "", b"\0"),
        ("0x7FFF_FFFF_FFFF_FFFF", 8, "", b"\xff" * 7 + b"\x7f"),
        ('"tide"', 8, "", b"tide\0\0\0\0"),
        ('"tide"', 4, "", b"tide"),
        ('"Pegel \u00e9"', 8, "", "Pegel \u00e9".encode()),
        ('{ size_of = "sampler" }', 4, "", struct.pack("<I", 0x128)),
        ('{ size_of = "spare" }', 4, "", struct.pack("<I", 0x800)),
        ('{ start_of = "sampler" }', 4, "", struct.pack("<I", SAMPLER)),
        ('{ start_of = "link" }', 4, 'byte_order = "big"\n', struct.pack(">I", 0x2000_3000)),
        ('{ end_of = "sampler" }', 4, "", struct.pack("<I", SAMPLER + 0x128)),
        ('{ end_of = "station-code" }', 4, "", struct.pack("<I", SAMPLER)),
        ('{ run_start_of = "station" }', 4, "", struct.pack("<I", STATION)),
        ('{ vectors_of = "sampler" }', 4, "", struct.pack("<I", SAMPLER)),
        ('{ version = "packed" }', 4, "", bytes((3, 0, 2, 1))),
        ('{ version = "packed" }', 4, 'byte_order = "big"\n', bytes((1, 2, 0, 3))),
        ('{ version = "text" }', 8, "", b"1.2.3\0\0\0"),
        ("{ rollback = true }", 2, "", b"\7\0"),
        ('{ build_id_of = "sampler" }', 24, "", SAMPLER_ID + bytes(4)),
        ('{ build_id_of = "station" }', 20, "", STATION_ID),
    ],
)
def test_every_kind_of_stamp(value: str, width: int, more: str, expected: bytes) -> None:
    """A stamp's bytes are those of its value, numbers in its byte order, texts and ids padded with zeros."""
    image = joined(layout({STAMP_TABLE: _stamp("s", value, width, more=more)})).image
    assert image.read(Span(FREE, width), None) == expected


def test_stamps_of_a_copied_build() -> None:
    """A copied build's run address and vectors are where the core sees them in RAM, its start is in flash."""
    stamps = (
        _stamp("start", '{ start_of = "sampler" }')
        + _stamp("run", '{ run_start_of = "sampler" }', offset=0x804)
        + _stamp("vectors", '{ vectors_of = "sampler" }', offset=0x808)
    )
    text = copied_layout().text.replace(STAMP_TABLE, stamps)
    made = joined(read_layout(text.encode(), "c.toml"), builds(sampler=copied_sampler()))
    assert struct.unpack("<III", made.image.read(Span(FREE, 12), None)) == (SAMPLER, RUN, RUN)


def test_a_stamp_is_written_at_its_symbol() -> None:
    """The station's length stands in its own constant, and nothing around it changed."""
    made = joined()
    (text,) = build("station", station_elf()).stored
    before, after = text.data, made.image.read(Span(STATION, len(text.data)), None)
    at = 0x80 + 128
    assert after == before[:at] + struct.pack("<I", 0x130) + before[at + 4 :]


def test_a_digest_of_a_build_with_stamps_inside() -> None:
    """SHA-256 of a build is taken after the stamps inside that build were written."""
    made = joined(layout({STAMP_TABLE: _stamp("hash", '{ sha256_of = "station" }', 32) + STAMP_TABLE}))
    station = made.image.read(made.placed["station"].stored, None)
    assert struct.unpack_from("<I", station, 0x100) == (0x130,)
    assert made.image.read(Span(FREE, 32), None) == hashlib.sha256(station).digest()


def test_a_digest_of_an_area_counts_unwritten_bytes_as_erased() -> None:
    """SHA-256 of an area takes its unwritten bytes as the erased byte, here 0xA5."""
    read = layout(
        {
            STAMP_TABLE: _stamp("hash", '{ sha256_of = "station-code" }', 32),
            "write_unit = 8\n": "write_unit = 8\nerased_byte = 0xA5\n",
        }
    )
    made = joined(read)
    area = made.image.read(Span(STATION, 0x1000), 0xA5)
    assert area.count(0xA5) > 0xE00
    assert made.image.read(Span(FREE, 32), None) == hashlib.sha256(area).digest()


def test_checksums_over_stamps_and_checksums() -> None:
    """Given in the wrong order, each checksum is still computed after what it covers was written."""
    tables = (
        _checksum("last", '["sampler-code"]', '{ area = "station-code", offset = 0xFF8 }').replace(
            "over", "except = [{ start = 0x1000_1900, size = 4 }]\nover"
        )
        + _checksum(
            "first", '[{ area = "station-code", size = 0xFF0 }]', '{ area = "sampler-code", offset = 0x810 }'
        )
        + STAMP_TABLE
    )
    made = joined(layout({STAMP_TABLE: tables}))
    read = made.image.read
    first = zlib.crc32(read(Span(STATION, 0xFF0), None))
    assert read(Span(SAMPLER + 0x810, 4), None) == struct.pack("<I", first)
    sampler = read(Span(SAMPLER, 0x1000), 0xFF)
    last = zlib.crc32(sampler[:0x900] + sampler[0x904:])
    assert read(Span(STATION + 0xFF8, 4), None) == struct.pack("<I", last)
    station_crc = zlib.crc32(read(Span(STATION, 0xFFC), None))
    assert read(Span(STATION + 0xFFC, 4), None) == struct.pack("<I", station_crc)


def test_ranges_count_in_the_order_they_are_given() -> None:
    """A checksum over two ranges takes them one after the other as the layout lists them."""
    over = '[{ build = "sampler" }, { start = 0x1000_0000, size = 16 }]'
    made = joined(layout({STAMP_TABLE: STAMP_TABLE + _checksum("two", over, "0x1000_1900")}))
    read = made.image.read
    data = read(made.placed["sampler"].stored, None) + read(Span(STATION, 16), None)
    assert read(Span(SAMPLER + 0x900, 4), None) == struct.pack("<I", zlib.crc32(data))


def test_covered_bytes_are_programmed() -> None:
    """Where a checksum covers unwritten flash the erased byte is written, but not in reserved areas."""
    over = '["spare", "sampler-code", { start = 0x1000_3000, size = 256 }]'
    made = joined(layout({STAMP_TABLE: STAMP_TABLE + _checksum("all", over, "0x1000_3100")}))
    assert made.image.held_in(Span(SAMPLER, 0x2200)) == [
        Span(SAMPLER, 0x1000),
        Span(RECORD, 0x208),
        Span(0x1000_3000, 0x108),
    ]
    covered = made.image.read(Span(0x1000_2000, 0x800), 0xFF) + made.image.read(Span(SAMPLER, 0x1000), None)
    covered += made.image.read(Span(0x1000_3000, 256), None)
    assert made.image.read(Span(0x1000_3100, 4), None) == struct.pack("<I", zlib.crc32(covered))


@pytest.mark.parametrize("unit", [1, 8, 64])
def test_values_fill_their_write_units(unit: int) -> None:
    """A value outside all builds is written with the rest of its write units, inside its area."""
    read = layout({STAMP_TABLE: _stamp("s", "1", 4, 0xA04), "write_unit = 8": f"write_unit = {unit}"})
    (held,) = joined(read).image.held_in(Span(SAMPLER + 0x900, 0x300))
    start = (SAMPLER + 0xA04) // unit * unit
    assert held == Span(start, max(4, unit))


def test_a_value_in_no_area_fills_its_write_unit_up_to_the_next_area() -> None:
    """In flash outside all areas a write unit is filled as far as it touches no area."""
    read = layout(
        {STAMP_TABLE: _stamp("s", "1").replace('{ area = "sampler-code", offset = 2048 }', "0x1000_3004")}
    )
    assert joined(read).image.held_in(Span(0x1000_3000, 0x100)) == [Span(0x1000_3000, 8)]
    ragged = layout(
        {
            STAMP_TABLE: _stamp("s", "1", 2).replace(
                '{ area = "sampler-code", offset = 2048 }', "0x1000_3004"
            ),
            "station-ram = {": 'odd = { memory = "flash", offset = 0x3006, size = 26, purpose = "data" }\n'
            "station-ram = {",
        }
    )
    assert joined(ragged).image.held_in(Span(0x1000_3000, 0x100)) == [Span(0x1000_3000, 6)]


def test_the_record_field_by_field() -> None:
    """Every field of the record, recomputed from the image's bytes with `zlib` and `hashlib`.

    Offsets as the record's page prints them.
    """
    made = joined()
    data = made.image.read(Span(RECORD, record_size(2)), None)
    assert data[:8] == b"GEMELREC"
    assert struct.unpack_from("<HHIHH", data, 8) == (1, 192, 516, 2, 160)
    assert struct.unpack_from("<IHHI", data, 0x14) == (7, 1, 2, 3)
    assert data[0x20:0x40] == b"small-device".ljust(32, b"\0")
    assert data[0x60:0x80] == layout().digest
    for at, name, role, start, build_id in (
        (192, b"station", 1, STATION, STATION_ID),
        (352, b"sampler", 2, SAMPLER, SAMPLER_ID),
    ):
        assert data[at : at + 32] == name.ljust(32, b"\0")
        assert data[at + 32 : at + 64] == name.ljust(32, b"\0")
        found_role, id_size, stored, size, run, vectors, crc = struct.unpack_from("<HHIIIII", data, at + 0x40)
        held = made.image.read(Span(stored, size), None)
        assert (found_role, id_size, stored, run, vectors) == (role, 20, start, start, start)
        assert crc == zlib.crc32(held)
        assert data[at + 0x58 : at + 0x78] == build_id.ljust(32, b"\0")
        assert data[at + 0x78 : at + 0x98] == hashlib.sha256(held).digest()
    assert struct.unpack_from("<I", data, 512) == (zlib.crc32(data[:512]),)
    assert made.image.read(Span(RECORD + 516, 4), None) == b"\xff" * 4


def test_version_and_rollback_of_the_command_line() -> None:
    """What the caller gives stands in for what the layout says, a rollback counter of 0 too."""
    made = join(
        layout({STAMP_TABLE: _stamp("v", '{ version = "text" }', 12)}), builds(), Version(9, 8, 70_000), 0
    )
    assert made.record is not None
    assert (made.record.version, made.record.rollback) == ("9.8.70000", 0)
    assert made.image.read(Span(FREE, 12), None) == b"9.8.70000\0\0\0"


def test_no_record() -> None:
    """A layout without a record gets none, and needs no version."""
    read = layout({RECORD_TABLE: "", 'version = "1.2.3"\n': ""})
    made = joined(read)
    assert made.record is None
    assert made.image.held_in(Span(RECORD, 0x400)) == []


# -- what is refused -----------------------------------------------------------------------------------


def _refused(tables: str, **options: object):
    read = layout({STAMP_TABLE: tables})
    return refused(lambda: join(read, builds(), **options))  # type: ignore[arg-type]


def test_values_that_do_not_fit_are_told_at_once() -> None:
    """Every stamp too narrow for its value has its problem; nothing is truncated."""
    problems = _refused(
        _stamp("start", '{ start_of = "sampler" }', 2)
        + _stamp("text", '{ version = "text" }', 4, 0x810)
        + _stamp("id", '{ build_id_of = "sampler" }', 16, 0x820)
        + _stamp("counter", "{ rollback = true }", 1, 0x840),
        rollback=256,
    )
    assert [(problem.where, problem.found) for problem in problems] == [
        ("stamp start", "0x10001000"),
        ("stamp text", "5 bytes"),
        ("stamp id", "20 bytes"),
        ("stamp counter", "0x100"),
    ]
    assert {problem.what for problem in problems} == {"the value does not fit"}


@pytest.mark.parametrize("version", [Version(256, 0, 0), Version(0, 256, 0), Version(0, 0, 65536)])
def test_a_version_too_large_to_pack(version: Version) -> None:
    """Numbers that a packed version has no bits for are refused."""
    (problem,) = _refused(_stamp("v", '{ version = "packed" }'), version=version)
    assert (problem.what, problem.found) == ("version too large to pack", str(version))


def test_a_build_without_an_id() -> None:
    """A stamp of a build id needs a build that has one."""
    read = layout({STAMP_TABLE: _stamp("id", '{ build_id_of = "sampler" }', 20)})
    (problem,) = refused(lambda: joined(read, builds(sampler=sampler_elf(build_id=None))))
    assert (problem.what, problem.where) == ("build sampler has no build id", "stamp id")


def test_vectors_of_a_build_of_data() -> None:
    """A build in an area of purpose data has no vector table whose address could be stamped."""
    area = 'sampler-code = { memory = "flash", offset = "4 KiB", size = "4 KiB", purpose = '
    read = layout({STAMP_TABLE: _stamp("v", '{ vectors_of = "sampler" }'), f'{area}"code"': f'{area}"data"'})
    (problem,) = refused(lambda: joined(read))
    assert problem.what == "build sampler has no vector table"


def test_missing_builds_and_version() -> None:
    """Builds that are missing or unknown and a version that nobody gave are one usage error."""
    read = layout({STAMP_TABLE: _stamp("v", '{ version = "text" }', 8), 'version = "1.2.3"\n': ""})
    handed = {"sampler": builds()["sampler"], "logger": builds()["station"]}
    problems = refused(lambda: join(read, handed), UsageProblem)
    assert whats(problems) == [
        "build station is missing",
        "the layout has no such build",
        "stamp v and the record need a version",
    ]
    assert problems[0].next_step == "give it as station=FILE, or add path to [build.station]"
    (problem,) = refused(lambda: join(layout({'version = "1.2.3"\n': ""}), builds()), UsageProblem)
    assert problem.what == "the record needs a version"


def test_symbols_without_a_place_are_told_at_once() -> None:
    """Two stamps at symbols that do not exist are two problems."""
    at = '{{ build = "station", symbol = "{}" }}'
    tables = "".join(
        f'[[stamp]]\nname = "{name}"\nat = {at.format(name)}\nwidth = 4\nvalue = 1\n'
        for name in ("one", "two")
    )
    assert whats(_refused(tables)) == [
        "symbol one of build station cannot be placed",
        "symbol two of build station cannot be placed",
    ]


@pytest.mark.parametrize(
    ("width", "offset", "found"), [(8, 0, "8 bytes at offset 0"), (4, 2, "4 bytes at offset 2")]
)
def test_a_value_wider_than_its_symbol(width: int, offset: int, found: str) -> None:
    """A stamp that would run over the end of its symbol, into what lies behind it, is refused."""
    tables = STAMP_TABLE.replace("width = 4", f"width = {width}").replace(
        'length" }', f'length", offset = {offset} }}'
    )
    (problem,) = _refused(tables)
    assert problem.what == "station-length runs over the end of its symbol"
    assert problem.found == found


def test_a_value_inside_a_symbol() -> None:
    """A value may go anywhere inside a larger symbol."""
    tables = STAMP_TABLE.replace("width = 4", "width = 2").replace('length" }', 'length", offset = 2 }')
    image = joined(layout({STAMP_TABLE: tables})).image
    assert image.read(Span(STATION + 0x100, 4), None) == b"\xff\xff\x30\x01"


def _layout_refused(read: ReadLayout):
    return refused(lambda: joined(read), LayoutError)


def test_a_checksum_over_its_own_place_by_symbol() -> None:
    """A checksum at a symbol inside what it covers names itself and what to leave out."""
    at = 'at = { area = "station-code", offset = 0xFFC }'
    read = layout({STAMP_TABLE: "", at: 'at = { build = "station", symbol = "image_length" }'})
    (problem,) = _layout_refused(read)
    assert problem.what == "station-crc covers its own place"
    assert problem.next_step == "leave 0x1000_0100..0x1000_0103 out of what it covers (except)"


def test_a_circle_of_two() -> None:
    """Two checksums that cover each other's place are told as a circle, in its order."""
    other = _checksum("other", '["station-code"]', "0x1000_1900")
    read = layout({STAMP_TABLE: other, OVER: 'over = ["sampler-code"]'})
    (problem,) = _layout_refused(read)
    assert problem.what == "these values depend on each other in a circle"
    assert problem.found == "other needs station-crc needs other"


def test_circles_through_the_record() -> None:
    """A digest over the record, which digests the rest of flash, can never come out right."""
    stamp = _stamp("hash", '{ sha256_of = "record" }', 32)
    (problem,) = _layout_refused(layout({STAMP_TABLE: stamp}))
    assert problem.found == "hash needs record needs hash"
    through = _stamp("hash", '{ sha256_of = "record" }', 32, 0x900) + _checksum(
        "middle", "[{ start = 0x1000_1900, size = 32 }]", "0x1000_1A00"
    )
    problems = _layout_refused(layout({STAMP_TABLE: through}))
    assert [problem.found for problem in problems] == [
        "hash needs record needs hash",
        "hash needs record needs middle needs hash",
    ]


def test_two_values_in_the_same_bytes() -> None:
    """Two values that share bytes are refused, also where only the build tells where one of them goes."""
    second = STAMP_TABLE.replace("station-length", "again").replace("width = 4", "width = 2")
    (problem,) = _layout_refused(layout({STAMP_TABLE: STAMP_TABLE + second}))
    assert problem.what == "two values are written to the same bytes"
    assert problem.found == ("again 0x1000_0100..0x1000_0101, station-length 0x1000_0100..0x1000_0103")


MARK = SymbolSpec("mark", STATION + 0x100, 0, "notype")
"""A symbol without a size, from which an offset reaches anywhere."""


@pytest.mark.parametrize(
    ("offset", "what"),
    [
        (0x1F00, "s is written into an area that is not free"),
        (0x2780, "s is written into an area that is not free"),
        (0x2B00, "s is written into an area that is not free"),
        (0x3EFE, "s is written outside flash"),
        (0x8000, "s is written outside flash"),
    ],
)
def test_values_far_from_their_symbol(offset: int, what: str) -> None:
    """An offset that leads into a reserved area, the record, the seal or out of flash is refused."""
    at = f'at = {{ build = "station", symbol = "mark", offset = {offset} }}'
    stamp = f'[[stamp]]\nname = "s"\n{at}\nwidth = 4\nvalue = 1\n'
    handed = builds(station_elf(symbols=(MARK,)))
    problems = refused(lambda: joined(layout({STAMP_TABLE: stamp}), handed), LayoutError)
    assert what in whats(problems)


def test_a_checksum_over_the_seal() -> None:
    """The seal is written last and covers the record, so nothing inside the image may cover it."""
    (problem,) = _layout_refused(layout({OVER: 'over = ["sampler-code", "seal"]'}))
    assert problem.what == "station-crc covers the seal, which is written last"


def test_exceptions_that_leave_nothing() -> None:
    """A checksum whose exceptions leave out all of a build covers nothing, which is the layout's fault."""
    read = layout({OVER: 'over = [{ build = "sampler" }]\nexcept = ["sampler-code"]'})
    (problem,) = _layout_refused(read)
    assert problem.what == "its exceptions leave out all that it covers"


def test_a_range_that_does_not_come_out_even() -> None:
    """A word feed over a build whose length is no multiple of 4 is refused with the length."""
    read = layout({OVER: 'over = [{ build = "sampler" }]\nfeed = "word"', "write_unit = 8": "write_unit = 2"})
    (problem,) = refused(lambda: joined(read, builds(sampler=sampler_elf(code=bytes(130)))))
    assert problem.where == "checksum station-crc"
    assert "words" in problem.what


def test_faults_of_the_layout_and_of_builds_come_together() -> None:
    """A missing symbol and a circle are told in one error, and none hides the other."""
    other = _checksum("other", '["station-code"]', "0x1000_1900")
    missing = STAMP_TABLE.replace("image_length", "no_such")
    problems = _layout_refused(layout({STAMP_TABLE: missing + other, OVER: 'over = ["sampler-code"]'}))
    assert whats(problems) == [
        "symbol no_such of build station cannot be placed",
        "these values depend on each other in a circle",
    ]


def _sixteen(count: int) -> tuple[ReadLayout, dict]:
    """A layout with that many builds of the station, 512 bytes apart in a larger flash."""
    areas = "".join(
        f'more-{index} = {{ memory = "flash", offset = {offset}, size = 512, purpose = "code" }}\n'
        for index, offset in enumerate(range(0x8000, 0x8000 + 0x200 * (count - 2), 0x200))
    )
    plans = "".join(
        f'\n[build.more-{index}]\ncore = "station"\nstored_in = "more-{index}"\n'
        for index in range(count - 2)
    )
    read = layout(
        {
            'size = "16 KiB"\nerase_block': 'size = "256 KiB"\nerase_block',
            'erase_block = "1 KiB"\n': "",
            'record = { memory = "flash", offset = "10 KiB", size = "1 KiB"': (
                'record = { memory = "flash", offset = "20 KiB", size = "4 KiB"'
            ),
            "station-ram = {": areas + "station-ram = {",
        },
        plans,
    )
    handed = dict(builds())
    for index in range(count - 2):
        data = station_elf(base=FLASH + 0x8000 + 0x200 * index, ram=None, build_id=bytes((index,)) * 20)
        handed[f"more-{index}"] = build(f"more-{index}", data)
    return read, handed


def test_sixteen_builds() -> None:
    """A record holds up to sixteen builds, each with its own span and id."""
    read, handed = _sixteen(16)
    made = join(read, handed)
    assert made.record is not None
    assert len(made.record.builds) == 16
    assert made.record.builds[15].build_id == bytes((13,)) * 20
    assert len({entry.stored_start for entry in made.record.builds}) == 16


def test_a_record_is_not_written_without_a_version() -> None:
    """Where the caller did not make sure of a version the record is refused, not written with zeros."""
    made = joined()
    sources = StampSources(layout().layout, made.image, made.placed, None, 0)
    (problem,) = refused(lambda: write_values(layout(), sources, SymbolPlaces(made.placements)))
    assert problem.what == "the record needs a version"


def test_a_name_that_the_record_has_no_room_for() -> None:
    """What does not fit the record's fields is told as what it is, with the other problems."""
    made = join(layout(), builds(), Version(65535, 65535, 0xFFFF_FFFF), 0xFFFF_FFFF)
    assert made.record is not None
    (problem,) = refused(lambda: join(layout(), builds(), Version(65536, 0, 0)))
    assert problem.found == "65,536"
