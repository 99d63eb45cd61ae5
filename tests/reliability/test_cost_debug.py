"""Debug information below 1 MB that costs more than its size: each command ends within 2 s, in bounded memory."""

from __future__ import annotations

import struct
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
import small_device
from debug_of_any_size import line_program, packed, segments, station, unit
from dwarf_writer import Debug, Entry, basic, member, record
from elf_writer import uleb128
from sealed_device import Run, run_here
from seconds import within

from gemel.builds.dwarf.constants import At, Form, Tag
from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.image.intel_hex import encode

LARGEST = 1_000_000
UNFOLDED = 1 << 27

UNIT = b"\x01\x11\x01\0\0"
"""Abbreviation 1: a unit with entries below it, without attributes (DWARF 5, section 7.5.3)."""
BY_SPECIFICATION = (
    UNIT + b"\x02\x13\0\x47\x13\x03\x08\0\0" + b"\x03\x13\0\x03\x08\x3c\x19\0\0" + b"\x04\x39\x01\0\0\0"
)
"""Also 2: a structure by DW_AT_specification; 3: a declaration with a name; 4: a namespace."""


def overlapping_tables() -> dict[str, bytes]:
    """Every declaration begins a table that reaches to the end of all."""
    declarations = [uleb128(code) + b"\x11\x01\0\0" for code in range(1, 4001)]
    starts = [sum(map(len, declarations[:at])) for at in range(len(declarations))]
    return {
        ".debug_info": b"".join(unit(b"\x01\0", start) for start in starts),
        ".debug_abbrev": b"".join(declarations) + b"\0",
    }


def compressed_sections() -> dict[str, bytes]:
    """Each section is as large as one may be."""
    big = packed(bytes(UNFOLDED))
    return {f".zdebug_{name}": big for name in ("info", "abbrev", "str", "line_str", "str_offsets", "types")}


def entries_of_one_byte() -> dict[str, bytes]:
    """As many entries as bytes."""
    table = UNIT + b"\x02\x24\0\0\0\0"
    return {".debug_info": unit(b"\x01" + b"\x02" * 900_000 + b"\0"), ".debug_abbrev": table}


def compressed_entries() -> dict[str, bytes]:
    """Many more entries than bytes of the file."""
    table = UNIT + b"\x02\x24\0\0\0\0"
    return {".zdebug_info": packed(unit(b"\x01" + b"\x02" * 16_000_000 + b"\0")), ".debug_abbrev": table}


def nested_namespaces() -> dict[str, bytes]:
    """Each level passes over all entries once more."""
    table = UNIT + b"\x02\x39\x01\0\0" + b"\x03\x24\0\0\0\0"
    return {
        ".debug_info": unit(b"\x01" + b"\x02" * 63 + b"\x03" * 900_000 + b"\0" * 64),
        ".debug_abbrev": table,
    }


def types_by_specification(depth: int = 0, count: int = 45_000) -> dict[str, bytes]:
    """Definitions that each refer to the last declaration, ``depth`` namespaces inside each other."""
    body = b"\x01" + b"\x04" * depth + b"\x03link_frame\0" * count
    last = 12 + len(body) - len(b"\x03link_frame\0")
    body += b"\0" * depth + (b"\x02" + struct.pack("<I", last) + b"link_frame\0") * (count // 2) + b"\0"
    return {".debug_info": unit(body), ".debug_abbrev": BY_SPECIFICATION}


def large_structures() -> dict[str, bytes]:
    """Structures with nearly as many members as are read."""
    word = basic()
    members = [member("m", word, 4 * at) for at in range(19_000)]
    return Debug(word, *(record("link_frame", 80_000, *members) for _ in range(2))).sections()


def equal_enumerators() -> dict[str, bytes]:
    """Enumerations whose enumerators all have the name that the contract asks for."""
    members = [Entry(Tag.ENUMERATOR, {At.NAME: "DEPTH", At.CONST_VALUE: at}) for at in range(15_000)]
    made = [
        Entry(Tag.ENUMERATION_TYPE, {At.NAME: "link_frame", At.BYTE_SIZE: 4}, members[at:]) for at in range(3)
    ]
    return Debug(*made).sections()


def file_names() -> dict[str, bytes]:
    """60,000 files of one program of DWARF 5, all with the same name of 600,000 characters."""
    rest = bytes([1, 1, 1, 0xFB, 14, 13, 0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0, 1]) + b"\x01\x01\x0e\0"
    rest += b"\x01\x01\x0e" + uleb128(60_000) + bytes(4 * 60_000)
    program = struct.pack("<HBBI", 5, 4, 0, len(rest)) + rest + b"\0\x05\x02\0\0\0\x10\x14\0\x01\x01"
    return {
        ".debug_line": struct.pack("<I", len(program)) + program,
        ".debug_str": b"x" * 600_000 + b"\0",
    }


SECTIONS: dict[str, Callable[[], dict[str, bytes]]] = {
    "tables of abbreviations that overlap": overlapping_tables,
    "compressed sections that are large together": compressed_sections,
    "entries of one byte": entries_of_one_byte,
    "compressed entries": compressed_entries,
    "namespaces inside each other": nested_namespaces,
    "types by specification": types_by_specification,
    "types by specification in namespaces": lambda: types_by_specification(60, 40_000),
    "large structures": large_structures,
    "equal enumerators": equal_enumerators,
    "rows of lines": lambda: {".debug_line": line_program(b"\x14" * 900_000)},
    "line programs of nothing": lambda: {".debug_line": line_program(b"") * 15_000},
    "compressed rows of lines": lambda: {".zdebug_line": packed(line_program(b"\x14" * 25_000_000))},
    "compressed lines that do nothing": lambda: {".zdebug_line": packed(line_program(b"\x06" * 90_000_000))},
    "long names of files": file_names,
    "damaged lines": lambda: {".debug_line": b"\xff" * 900},
}
WHERE = ("0x10000000", "0x10000080", "0x10000100", "0x10000101")
COMMANDS = (
    ("check", "small.toml", "image.hex", "station=x.elf", "sampler=y.elf"),
    ("join", "small.toml", "station=x.elf", "sampler=y.elf", "-o", "new.hex"),
    ("show", "small.toml", "image.hex", "station=x.elf"),
    ("draft", "station=x.elf", "sampler=sampler.elf"),
    ("rehearse", "small.toml", "image.hex", "station=x.elf", "sampler=y.elf", "--budget", "200000"),
    ("where", "small.toml", "station=x.elf", "sampler=y.elf", *WHERE, "link_frames"),
    ("compare", "small.toml", "image.hex", "image.hex", "station=x.elf"),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device with a contract that compares a type and a constant, its image, and sound builds."""
    folder = tmp_path_factory.mktemp("debug")
    asked = 'symbols = ["link_frames"]\ntypes = ["struct link_frame"]\nconstants = ["DEPTH"]'
    text = small_device.layout_text({'symbols = ["link_frames"]': asked})
    (folder / "small.toml").write_text(text, encoding="utf-8")
    word = basic()
    sound = station(Debug(word, record("link_frame", 4, member("m", word))).sections())
    (folder / "sampler.elf").write_bytes(small_device.sampler_elf())
    (folder / "sound.elf").write_bytes(sound)
    (folder / "image.hex").write_bytes(b"".join(encode(small_device.joined().image)))
    return folder


@pytest.mark.parametrize("name", SECTIONS)
def test_debug_information_of_the_largest_size_ends_in_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    """Whatever the debug information of both builds says, each command's time grows with its size and no faster."""
    monkeypatch.chdir(folder)
    sections = SECTIONS[name]()
    data = station(sections)
    assert len(data) <= LARGEST
    Path("x.elf").write_bytes(data)
    Path("y.elf").write_bytes(small_device.sampler_elf(extra=segments(sections)))
    gemel: Run = run_here(capfd)
    for words in COMMANDS:
        Path("new.hex").unlink(missing_ok=True)
        with within(2):
            ended = gemel(*words)
        assert "fault in gemel" not in ended.err, words


def test_compressed_sections_take_bounded_memory() -> None:
    """Sections that are large together are refused before they are unfolded."""
    build = small_device.build("station", station(compressed_sections()))
    assert build.debug is not None
    tracemalloc.start()
    try:
        with pytest.raises(DebugUnreadable, match="decompressed"):
            build.debug.types()
        assert tracemalloc.get_traced_memory()[1] < 50 << 20
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("depth", [0, 3])
def test_types_by_specification_are_read(depth: int) -> None:
    """Some thousand definitions by specification are each found in the namespaces of their declaration."""
    build = small_device.build("station", station(types_by_specification(depth, 4_000)))
    assert build.debug is not None
    assert len(build.debug.types().named("struct link_frame")) == 2_000


def test_one_large_compressed_section_is_read() -> None:
    """A section that unfolds to thirty times its size, as tables of equal sources do, is read."""
    table = b"".join(uleb128(code) + b"\x24\0\x03\x08\0\0" for code in range(1, 20_000))
    compressed = packed(UNIT.replace(b"\x01", uleb128(20_001), 1) + table + b"\0")
    sections = {
        ".debug_info": unit(uleb128(20_001) + b"\x01int\0\0"),
        ".zdebug_abbrev": compressed,
    }
    build = small_device.build("station", station(sections))
    assert build.debug is not None
    assert len(build.debug.types().named("int")) == 1


def test_forms_are_those_of_the_standard() -> None:
    """The bytes above say what their names say."""
    assert (Tag.STRUCTURE_TYPE, Tag.NAMESPACE, Tag.COMPILE_UNIT, Tag.BASE_TYPE) == (0x13, 0x39, 0x11, 0x24)
    assert (At.SPECIFICATION, At.DECLARATION, At.NAME) == (0x47, 0x3C, 0x03)
    assert (Form.REF4, Form.FLAG_PRESENT, Form.STRING) == (0x13, 0x19, 0x08)
