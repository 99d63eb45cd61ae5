"""Joins of the tide gauge's real ELF files against what binutils and a recomputation say."""

from __future__ import annotations

import hashlib
import io
import struct
import subprocess
import zlib
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile
from gauge_builds import ARRANGEMENTS, BUILT, gauge, gauge_builds
from intelhex import IntelHex
from tools import required_tool

from gemel.image.sparse import SparseBytes
from gemel.joining.pipeline import Joined, join
from gemel.layout.reader import ReadLayout
from gemel.record.record import record_size
from gemel.spans import Span

NAMES = ("station", "sampler")
each_build = pytest.mark.parametrize("name", NAMES)
each_arrangement = pytest.mark.parametrize("arrangement", ARRANGEMENTS)


def _made(arrangement: str) -> tuple[ReadLayout, Joined]:
    read = gauge(arrangement)
    return read, join(read, gauge_builds(arrangement))


def _written_places(read: ReadLayout, arrangement: str) -> dict[int, int]:
    """Plain addresses and widths of all stamps and checksums, symbols looked up by pyelftools."""
    places = {}
    layout = read.layout
    for item in (*layout.stamps, *layout.checksums):
        width = getattr(item, "width", 4)
        at = item.at
        if isinstance(at, int):
            places[at] = width
        elif hasattr(at, "symbol"):
            places[_symbol_at(arrangement, at.build, at.symbol)] = width
        else:
            places[layout.span_of(at.area).start + at.offset] = width
    return places


def _symbol_at(arrangement: str, build: str, symbol: str) -> int:
    """The load address of a symbol, from section table and program headers."""
    elf = ELFFile(io.BytesIO((BUILT / arrangement / f"{build}.elf").read_bytes()))
    (found,) = elf.get_section_by_name(".symtab").get_symbol_by_name(symbol)
    run = found["st_value"]
    for segment in elf.iter_segments("PT_LOAD"):
        if segment["p_vaddr"] <= run < segment["p_vaddr"] + segment["p_filesz"]:
            return run - segment["p_vaddr"] + segment["p_paddr"]
    raise LookupError(symbol)


def _objcopy(arrangement: str, name: str, form: str, target: Path) -> Path:
    source = BUILT / arrangement / f"{name}.elf"
    command = [
        required_tool("arm-none-eabi-objcopy"),
        "-O",
        form,
        "--gap-fill=0xff",
        str(source),
        str(target),
    ]
    if form == "ihex":
        command.remove("--gap-fill=0xff")
    subprocess.run(command, check=True)
    return target


def _same_but_for(
    image: SparseBytes, start: int, expected: bytes, places: dict[int, int]
) -> list[tuple[int, int]]:
    """Addresses at which the image differs from ``expected``, outside the places that join writes."""
    left_out = {address for place, width in places.items() for address in range(place, place + width)}
    held = image.read(Span(start, len(expected)), None)
    return [
        (start + offset, byte)
        for offset, byte in enumerate(held)
        if byte != expected[offset] and start + offset not in left_out
    ]


@each_arrangement
@each_build
def test_placed_bytes_are_those_of_objcopy(arrangement: str, name: str, tmp_path: Path) -> None:
    """What join stores of a build is, by load address, what `objcopy -O binary` and `-O ihex` make of it.

    Only stamps and checksums differ.  The binary begins at the lowest load address of its sections.
    """
    read, made = _made(arrangement)
    places = _written_places(read, arrangement)
    hex_file = IntelHex(str(_objcopy(arrangement, name, "ihex", tmp_path / "out.hex")))
    binary = _objcopy(arrangement, name, "binary", tmp_path / "out.bin").read_bytes()
    start = hex_file.minaddr()
    for first, end in hex_file.segments():
        assert _same_but_for(made.image, first, hex_file.tobinstr(first, size=end - first), places) == []
    assert _same_but_for(made.image, start, binary, places) == []
    unit = read.layout.memory_of(read.layout.builds[name].stored_in).write_unit
    assert made.placed[name].stored == Span(start, -(-len(binary) // unit) * unit)


@each_arrangement
def test_nothing_else_is_in_the_image(arrangement: str) -> None:
    """Bytes outside builds, stamps, checksums and the record are the erased byte."""
    read, made = _made(arrangement)
    claimed = [build.stored for build in made.placed.values()]
    claimed += [Span(place, width) for place, width in _written_places(read, arrangement).items()]
    assert read.layout.record is not None
    claimed.append(Span(read.layout.span_of(read.layout.record.area).start, record_size(2)))
    for address, piece in made.image.pieces():
        for offset, byte in enumerate(bytes(piece)):
            if byte != 0xFF and not any(span.holds(address + offset) for span in claimed):
                pytest.fail(f"0x{byte:02X} at {address + offset:#x}")


@each_arrangement
def test_stamps_and_checksums_recomputed(arrangement: str) -> None:
    """Lengths, versions and CRCs of the real layouts, recomputed from the image's bytes with `zlib`."""
    read, made = _made(arrangement)
    major, minor, patch = (int(part) for part in str(read.layout.version).split("."))
    expected = {
        "station-length": made.placed["station"].stored.size,
        "product-version": major << 24 | minor << 16 | patch,
    }
    seen = set()
    for stamp in read.layout.stamps:
        if stamp.name in expected:
            place = _symbol_at(arrangement, stamp.at.build, stamp.at.symbol)
            found = int.from_bytes(made.image.read(Span(place, stamp.width), None), stamp.byte_order)
            assert found == expected[stamp.name], stamp.name
            seen.add(stamp.name)
    assert seen == expected.keys()
    assert read.layout.checksums
    for checksum in read.layout.checksums:
        assert checksum.algorithm == "CRC-32/ISO-HDLC"
        (area,) = checksum.over
        span = read.layout.span_of(area)
        data = made.image.read(span, None)
        assert data[-4:] == struct.pack("<I", zlib.crc32(data[:-4])), checksum.name


@each_arrangement
def test_the_records_digests_recomputed(arrangement: str) -> None:
    """CRC-32 and SHA-256 of each build in the record, and its build id, from image and ELF file."""
    _, made = _made(arrangement)
    assert made.record is not None
    for entry in made.record.builds:
        data = made.image.read(Span(entry.stored_start, entry.stored_size), None)
        assert (entry.crc32, entry.sha256) == (zlib.crc32(data), hashlib.sha256(data).digest())
        elf = ELFFile(io.BytesIO((BUILT / arrangement / f"{entry.name}.elf").read_bytes()))
        note = next(elf.get_section_by_name(".note.gnu.build-id").iter_notes())
        assert entry.build_id.hex() == note["n_desc"]
        vectors = elf.get_section_by_name(".symtab").get_symbol_by_name("vector_table")[0]["st_value"]
        assert entry.vector_address == vectors


@each_arrangement
def test_the_same_image_every_time(arrangement: str) -> None:
    """Two joins of the same builds are equal, byte for byte and span for span."""
    (_, first), (_, second) = _made(arrangement), _made(arrangement)
    assert first.image == second.image
    assert first.record == second.record
    assert first.entry == second.entry
