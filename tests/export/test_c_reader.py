"""The exported C reader: compiled for host and target, and run against the Python decoder."""

from __future__ import annotations

import itertools
import re
import struct
import subprocess
import tomllib
import unicodedata
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from c_hosts import HOSTS, SANITIZERS, WARNINGS, compile_
from c_reader_verdicts import CODES, record_verdict
from damaged_records import LETTERS, Case, cases
from elftools.elf.elffile import ELFFile
from records import tide_gauge_record
from tools import required_tool

from gemel.export.c_reader import FILE_NAME, c_reader
from gemel.record.format import BUILD, HEADER
from gemel.record.record import Record, RecordFault, encode
from gemel.structs import replace

ROOT = Path(__file__).parents[2]
CASES, SEED = 12_000, 20_260_801


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the exported header and the example that its comment gives."""
    folder = tmp_path_factory.mktemp("c-reader")
    header = c_reader()
    (folder / FILE_NAME).write_text(header, encoding="utf-8", newline="\n")
    comment = header[: header.index("*/")]
    example = comment[comment.index(" *     #include") : comment.index(" * Where the record's area")]
    (folder / "example.c").write_text(
        re.sub(r"^ \*( {5})?", "", example, flags=re.MULTILINE), encoding="utf-8"
    )
    return folder


def built(folder: Path, compiler: str, name: str, *options: str) -> Path:
    """The host program of ``tests/export/c/reader.c``, built with the exported header."""
    source = ROOT / "tests/export/c/reader.c"
    compile_(folder, compiler, "-std=c99", *WARNINGS, *options, "-I.", str(source), "-o", name)
    return folder / name


@pytest.fixture(scope="module")
def sanitized(folder: Path) -> Path:
    """The host program with the address and undefined-behaviour sanitizers."""
    return built(folder, "gcc", "reader-sanitized", *SANITIZERS)


def run(program: Path, *arguments: str) -> tuple[int, list[str]]:
    """Exit code and output lines; any word on stderr (a sanitizer's report) fails the test."""
    done = subprocess.run([program, *arguments], capture_output=True, text=True, check=False, timeout=300)
    assert done.stderr == ""
    return done.returncode, done.stdout.splitlines()


@pytest.mark.parametrize(("compiler", "options"), HOSTS, ids=[" ".join([c, o[-1]]) for c, o in HOSTS])
@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_compiles_for_the_host(folder: Path, compiler: str, options: list[str], level: str) -> None:
    """The header and its example compile as C and as C++ with every warning an error."""
    compile_(folder, compiler, *options, level, *WARNINGS, "-c", "example.c", "-o", "example.o")


@pytest.mark.parametrize("architecture", ["armv6-m", "armv7e-m", "armv8-m.base", "armv8-m.main"])
@pytest.mark.parametrize("level", ["-O0", "-Os", "-O2"])
def test_compiles_for_the_target(folder: Path, architecture: str, level: str) -> None:
    """The example compiles freestanding for the cores' architectures and needs nothing but memory functions.

    A compiler may put ``memset`` and ``memcpy`` in even when freestanding (its manual, "Language
    Standards"); any other undefined symbol would be a dependency.
    """
    target = ["-mthumb", f"-march={architecture}", "-ffreestanding", "-std=c99"]
    compile_(folder, "arm-none-eabi-gcc", *target, level, *WARNINGS, "-c", "example.c", "-o", "target.o")
    with (folder / "target.o").open("rb") as file:
        elf = ELFFile(file)
        symbols = list(elf.get_section_by_name(".symtab").iter_symbols())
        writable = [elf.get_section_by_name(name) for name in (".data", ".bss")]
        assert all(section is None or section["sh_size"] == 0 for section in writable)
    undefined = {symbol.name for symbol in symbols if symbol["st_shndx"] == "SHN_UNDEF"} - {""}
    assert undefined <= {"memset", "memcpy", "memcmp", "memmove"}
    assert "image_is_sound" in {symbol.name for symbol in symbols}


def test_a_wrong_offset_stops_the_compiler(folder: Path) -> None:
    """The header's compile-time check is a real one: a struct with a wider field does not compile."""
    wrong = c_reader().replace("uint16_t role;", "uint32_t role;")
    assert wrong != c_reader()
    (folder / "wrong.c").write_text(wrong, encoding="utf-8")
    done = subprocess.run(
        [required_tool("gcc"), "-std=c99", "-c", "wrong.c", "-o", "wrong.o"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "gemel_holds_gemel_build_stored_start" in done.stderr


def test_structs_agree_with_the_table() -> None:
    """Each struct declares the table's fields in order, and each has its compile-time check."""
    header = c_reader()
    for name, table in (("gemel_record", HEADER), ("gemel_build", BUILD)):
        body = re.search(rf"^struct {name} {{\n(.*?)^}};", header, re.MULTILINE | re.DOTALL)
        assert body is not None
        declared = re.findall(r"^    \w+ (\w+)(?:\[\d+\])?; /\* 0x([0-9A-F]{2}) \*/$", body[1], re.MULTILINE)
        assert declared == [(field.name, f"{field.offset:02X}") for field in table]
        for field in table:
            assert f"offsetof(struct {name}, {field.name}) == 0x{field.offset:02X}u" in header


def test_header_is_whole_and_says_what_it_is_not() -> None:
    """No place of the template is left open, only two headers are included, and the cautions are there."""
    header = c_reader()
    assert not re.search(r"@|{{|{%", header)
    assert re.findall(r"^#include (.*)$", header, re.MULTILINE) == ["<stddef.h>", "<stdint.h>"]
    comment = " ".join(header[: header.index("*/")].replace(" * ", " ").split())
    for caution in ("not a safety approval", "integrity, not authenticity", "no longer starts at all"):
        assert caution in comment
    for fault in RecordFault:
        assert (f"GEMEL_RECORD_{fault.name} = {fault.code}" in header) == (fault is not RecordFault.NO_FIT)
    assert all(
        name.startswith("gemel_") for name in re.findall(r"^static inline .*?(\w+)\(", header, re.MULTILINE)
    )
    assert header == c_reader()


def flash_of(arrangement: str) -> tuple[bytes, int, Record]:
    """The flash of the tide gauge with a record, read and placed by pyelftools; its start and record."""
    layout = tomllib.loads((ROOT / f"layouts/tide-gauge-{arrangement}.toml").read_text("utf-8"))
    start, kib = layout["memory"]["flash"]["start"], layout["memory"]["flash"]["size"]
    flash = bytearray(b"\xff" * int(kib.removesuffix(" KiB")) * 1024)
    builds = []
    for pattern in tide_gauge_record().builds:
        with (ROOT / f"testdata/tide-gauge/built/{arrangement}/{pattern.name}.elf").open("rb") as file:
            loaded = [s for s in ELFFile(file).iter_segments("PT_LOAD") if s["p_filesz"]]
            for segment in loaded:
                offset = segment["p_paddr"] - start
                flash[offset : offset + segment["p_filesz"]] = segment.data()
        stored = min(segment["p_paddr"] for segment in loaded)
        size = max(segment["p_paddr"] + segment["p_filesz"] for segment in loaded) - stored
        crc = zlib.crc32(flash[stored - start : stored - start + size])
        builds.append(replace(pattern, stored_start=stored, stored_size=size, run_start=stored, crc32=crc))
    record = replace(tide_gauge_record(), builds=tuple(builds))
    area = int(layout["area"]["record"]["offset"].removesuffix(" KiB")) * 1024
    flash[area : area + len(encode(record))] = encode(record)
    return bytes(flash), start, record


def described(record: Record) -> Iterator[str]:
    """What the host program prints of a record."""
    yield f"product {record.product}"
    yield f"version {record.version}"
    yield f"rollback {record.rollback}"
    yield f"vendor_id {record.vendor_id.hex if record.vendor_id else '0' * 32}"
    yield f"class_id {record.class_id.hex if record.class_id else '0' * 32}"
    yield f"layout_sha256 {record.layout_sha256.hex()}"
    yield f"rest_sha256 {record.rest_sha256.hex()}"
    for build in record.builds:
        vectors = 0xFFFF_FFFF if build.vector_address is None else build.vector_address
        yield f"build {build.name} {build.core} {1 if build.role == 'primary' else 2}"
        numbers = (build.stored_start, build.stored_size, build.run_start, vectors, build.crc32)
        yield "spans " + " ".join(f"{number:x}" for number in numbers)
        yield f"build_id {build.build_id.hex()}"
        yield f"sha256 {build.sha256.hex()}"


@pytest.mark.parametrize("arrangement", ["in-place", "copied"])
def test_reads_a_real_image(sanitized: Path, tmp_path: Path, arrangement: str) -> None:
    """On the flash of the tide gauge the reader finds the record, reads every field, checks both builds."""
    flash, start, record = flash_of(arrangement)
    (tmp_path / "image.bin").write_bytes(flash)
    status, lines = run(sanitized, "image", str(tmp_path / "image.bin"), f"{start:x}")
    assert lines[0] == "verdict sound"
    assert lines[1:-1] == list(described(record))
    place = flash.index(b"GEMELREC")
    assert lines[-1] == f"1 0 at {place}: 0 0"
    assert status == 0


def test_sees_a_changed_build(sanitized: Path, tmp_path: Path) -> None:
    """A single bit of the sampler in the flash is seen, and told from the station's."""
    flash, start, record = flash_of("in-place")
    changed = bytearray(flash)
    changed[record.builds[1].stored.last - start] ^= 0x10
    (tmp_path / "image.bin").write_bytes(changed)
    status, lines = run(sanitized, "image", str(tmp_path / "image.bin"), f"{start:x}")
    assert lines[-1].endswith(f": 0 {CODES['BUILD_CRC']}")
    assert status == 1


@pytest.fixture(scope="module")
def damaged(folder: Path) -> tuple[list[Case], list[str], Path]:
    """The damaged images, Python's verdict on each, and a file with all of them for the host program."""
    images = list(cases(CASES, SEED))
    path = folder / "cases.bin"
    path.write_bytes(
        b"".join(struct.pack("<III", case.start, len(case.data), case.shift) + case.data for case in images)
    )
    return images, [record_verdict(case) for case in images], path


def test_damaged_images_reach_every_verdict(damaged: tuple[list[Case], list[str], Path]) -> None:
    """The cases below are worth running: among them each fault and each verdict on builds occurs often."""
    codes = [int(code) for line in damaged[1] for code in line.partition(" at")[0].split()]
    builds = [int(code) for line in damaged[1] for code in line.partition(":")[2].split()]
    for fault in RecordFault:
        if fault is not RecordFault.NO_FIT:
            assert codes.count(fault.code) >= 40, fault
    assert codes.count(CODES["MISALIGNED"]) >= 40
    for code in (0, CODES["BUILD_OUTSIDE"], CODES["BUILD_CRC"]):
        assert builds.count(code) >= 40


@pytest.mark.parametrize(
    ("compiler", "options"),
    [("gcc", SANITIZERS), ("gcc", ["-O2"]), ("clang", ["-O2"])],
    ids=["gcc sanitizers", "gcc -O2", "clang -O2"],
)
def test_damaged_images(
    folder: Path, damaged: tuple[list[Case], list[str], Path], compiler: str, options: list[str]
) -> None:
    """On thousands of damaged images C and Python give one verdict, and nothing outside is read."""
    program = built(folder, compiler, f"reader-{compiler}{options[-1]}", *options)
    status, lines = run(program, "cases", str(damaged[2]))
    assert status == 0
    assert len(lines) == CASES
    for number, (expected, line) in enumerate(zip(damaged[1], lines, strict=True)):
        assert line == expected, f"case {number}"


BLUNDERS = {
    "size not compared with the memory": (
        "(record->record_size > size) ? GEMEL_RECORD_CUT : GEMEL_RECORD_SOUND",
        "GEMEL_RECORD_SOUND",
    ),
    "count not held against its limit": ("record->build_count > GEMEL_RECORD_MAX_BUILDS", "0"),
    "build id longer than its field": ("build->build_id_size > sizeof build->build_id", "0"),
    "build past the end of the memory": ("build->stored_size <= memories[i].size - offset", "1"),
    "build below the memory": ("build->stored_start >= memories[i].start && ", ""),
    "name without an end": ("length < GEMEL_NAME_SIZE && text", "text"),
}
"""Checks of the reader, each with what it would be if somebody had forgotten it."""


@pytest.mark.parametrize("name", BLUNDERS)
def test_a_forgotten_check_would_be_seen(
    damaged: tuple[list[Case], list[str], Path], tmp_path: Path, name: str
) -> None:
    """The damaged images tell: a reader without one of its checks is caught by a sanitizer or a verdict."""
    right, wrong = BLUNDERS[name]
    header = c_reader()
    assert header.count(right) == 1
    (tmp_path / FILE_NAME).write_text(header.replace(right, wrong), encoding="utf-8")
    source = str(ROOT / "tests/export/c/reader.c")
    compile_(tmp_path, "gcc", "-std=c99", *SANITIZERS, "-I.", source, "-o", "blunder")
    done = subprocess.run(
        [tmp_path / "blunder", "cases", str(damaged[2])],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    same = done.stdout.splitlines() == damaged[1]
    assert "ERROR: AddressSanitizer" in done.stderr or "runtime error" in done.stderr or not same


def test_exit_codes_of_single_images(
    sanitized: Path, damaged: tuple[list[Case], list[str], Path], tmp_path: Path
) -> None:
    """Run on one image at a time, the program's exit code says what the Python decoder says."""
    for number, case in enumerate(damaged[0][:60]):
        path = tmp_path / f"{number}.bin"
        path.write_bytes(case.data)
        status, lines = run(sanitized, "image", str(path), f"{case.start:x}")
        expected = record_verdict(case._replace(shift=0))
        sound = re.fullmatch(r"\d+ 0 at \d+:( 0)+", expected) is not None
        assert (status, lines[-1]) == (0 if sound else 1, expected), f"case {number}"


LEADS = LETTERS.replace(b"a", b"")


def name_code(name: bytes) -> int:
    """The verdict on a name by Python's own UTF-8 decoder and the Unicode category of control characters."""
    text, ended, padding = name.partition(b"\0")
    if not ended:
        return RecordFault.NAME_NOT_ENDED.code
    try:
        decoded = text.decode("utf-8")
    except UnicodeDecodeError:
        return RecordFault.NAME_NOT_TEXT.code
    control = any(unicodedata.category(sign) == "Cc" for sign in decoded)
    return RecordFault.NAME_NOT_TEXT.code if not text or control or any(padding) else 0


def test_names_are_judged_as_unicode_does(sanitized: Path, tmp_path: Path) -> None:
    """All names of two bytes, and all of three and four from the bytes at which UTF-8 changes its mind."""
    names = [bytes(pair) for pair in itertools.product(range(256), repeat=2)]
    names += [bytes(letters) for letters in itertools.product(LEADS, repeat=3)]
    names += [bytes(letters) for letters in itertools.product(b"\xef\xf0\xf1\xf4\xf5", LEADS, LEADS, LEADS)]
    fields = [name.ljust(32, b"\0") for name in names] + [b"n" * 32, b"n" * 29 + b"\xe6\xbd\xae", bytes(32)]
    fields += [b"n" * 28 + b"\xe6\xbd\xae\0", b"n" * 29 + b"\xe6\xbd\0", b"a\0".ljust(31, b"\0") + b"b"]
    (tmp_path / "names.bin").write_bytes(b"".join(fields))
    status, lines = run(sanitized, "names", str(tmp_path / "names.bin"))
    assert status == 0
    assert [int(line) for line in lines] == [name_code(field) for field in fields]
