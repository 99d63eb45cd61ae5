"""The tide gauge as its tests know it: where it lies, what it must print, how it is booted.

Nothing here uses gemel, except ``join``, which runs its command line: what the gauge must print is
worked out from the ELF files (read by pyelftools), from the pressure table in the C source and from
``zlib.crc32``, which is CRC-32/ISO-HDLC (common practice; check value 0xCBF43926, from memory).
"""

from __future__ import annotations

import re
import struct
import subprocess
import threading
import tomllib
import zlib
from dataclasses import dataclass
from fractions import Fraction
from math import floor
from pathlib import Path
from typing import Any

import pytest
from elftools.elf.elffile import ELFFile
from in_process import run_here
from tools import required_tool

ROOT = Path(__file__).resolve().parents[2]
GAUGE = ROOT / "testdata" / "tide-gauge"
BUILT = GAUGE / "built"
ARRANGEMENTS = ("in-place", "copied", "two-banks")
BOOTABLE = ("in-place", "copied")
MACHINE = ("-M", "mps2-an521", "-display", "none", "-monitor", "none", "-serial", "stdio")
BOOT_LIMIT = 30.0
"""Seconds after which a machine that has not said its last line is stopped."""


def layout_file(arrangement: str) -> Path:
    """The layout of one arrangement."""
    return ROOT / "layouts" / f"tide-gauge-{arrangement}.toml"


def read_layout(arrangement: str) -> dict[str, Any]:
    """The layout's tables, as the standard library reads them."""
    return tomllib.loads(layout_file(arrangement).read_text(encoding="utf-8"))


def device_defines(arrangement: str) -> dict[str, int]:
    """The numbers in the arrangement's ``device.h``."""
    text = (GAUGE / "arrangements" / arrangement / "device.h").read_text(encoding="utf-8")
    found = re.findall(r"^#define (\w+)\s+(0x[0-9A-Fa-f]+|\d+)u?\b", text, re.MULTILINE)
    return {name: int(value, 0) for name, value in found}


def area_span(layout: dict[str, Any], name: str) -> tuple[int, int]:
    """Start address and size of an area, worked out from the layout's tables."""
    area = layout["area"][name]
    memory = layout["memory"][area["memory"]]
    return memory["start"] + size_in_bytes(area["offset"]), size_in_bytes(area["size"])


def size_in_bytes(size: int | str) -> int:
    """A size of a layout: a number, or text with a unit."""
    if isinstance(size, int):
        return size
    number, unit = size.split()
    return int(number) * {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20}[unit]


@dataclass(frozen=True)
class Delivered:
    """What the tests need to know of an ELF file."""

    segments: tuple[tuple[int, int, bytes], ...]  # load address, run address, bytes
    symbols: dict[str, int]
    build_id: str

    @property
    def start(self) -> int:
        """First load address."""
        return min(load for load, _, _ in self.segments)

    @property
    def size(self) -> int:
        """Bytes from the first load address to the last one."""
        return max(load + len(data) for load, _, data in self.segments) - self.start

    @property
    def run_start(self) -> int:
        """First run address of the code, which is the first segment."""
        return self.segments[0][1]


def read_elf(path: Path) -> Delivered:
    """Reads an ELF file with pyelftools."""
    with path.open("rb") as stream:
        elf = ELFFile(stream)
        segments = tuple(
            (segment["p_paddr"], segment["p_vaddr"], segment.data())
            for segment in elf.iter_segments("PT_LOAD")
            if segment["p_filesz"]
        )
        symbols = {
            symbol.name: symbol["st_value"] for symbol in elf.get_section_by_name(".symtab").iter_symbols()
        }
        notes = elf.get_section_by_name(".note.gnu.build-id").iter_notes()
        return Delivered(segments, symbols, next(note["n_desc"] for note in notes))


def expected_frames() -> list[str]:
    """The lines about frames, from the pressure table and the rules of the gauge in plain arithmetic."""
    source = (GAUGE / "sampler" / "samples.c").read_text(encoding="utf-8")
    table = [int(number) for number in re.findall(r"\d+", source.split("= {")[1])]
    lines = []
    for sequence, first in enumerate(range(0, len(table), 5), start=1):
        samples = table[first : first + 5]
        kept = sorted(samples)[1:-1]
        pressure = nearest(Fraction(sum(kept), len(kept)))
        level = nearest(pressure / Fraction("10.055")) - 2480
        spread = max(samples) - min(samples)
        quality = "rough" if spread > 1000 else "good"
        lines.append(
            f"frame {sequence}: level {level} mm, pressure {pressure} Pa, spread {spread} Pa, {quality}"
        )
    return lines


def nearest(value: Fraction) -> int:
    """The nearest integer; the upper one from the middle."""
    return floor(value + Fraction(1, 2))


def grouped(address: int) -> str:
    """An address as the station prints it."""
    return f"0x{address >> 16:04X}_{address & 0xFFFF:04X}"


def stamped_values(arrangement: str, station: Delivered, sampler: Delivered) -> dict[str, int]:
    """What join must write at the station's symbols."""
    major, minor, patch = (int(part) for part in read_layout(arrangement)["version"].split("."))
    values = {"image_length": station.size, "image_version": major << 24 | minor << 16 | patch}
    if arrangement == "copied":
        values["sampler_stored_at"] = sampler.start
        values["sampler_runs_at"] = sampler.run_start
        values["sampler_size"] = sampler.size
    return values


def expected_area(arrangement: str, name: str, build: Delivered, stamps: dict[str, int]) -> bytes:
    """The bytes of a code area without its last word: erased flash, the build, the stamps."""
    start, size = area_span(read_layout(arrangement), name)
    area = bytearray(b"\xff" * size)
    for load, _, data in build.segments:
        area[load - start : load - start + len(data)] = data
    for symbol, value in stamps.items():
        struct.pack_into("<I", area, build.symbols[symbol] - start, value)
    return bytes(area[:-4])


def expected_text(arrangement: str) -> list[str]:
    """Every line that a sound image of the arrangement must send over the serial port."""
    station = read_elf(BUILT / arrangement / "station.elf")
    sampler = read_elf(BUILT / arrangement / "sampler.elf")
    stamps = stamped_values(arrangement, station, sampler)
    station_sum = zlib.crc32(expected_area(arrangement, "station-code", station, stamps))
    sampler_sum = zlib.crc32(expected_area(arrangement, "sampler-code", sampler, {}))
    copying = (
        f"station: sampler copied, {sampler.size} bytes"
        f" from {grouped(sampler.start)} to {grouped(sampler.run_start)}"
    )
    return [
        f"tide gauge {read_layout(arrangement)['version']}, sampler {arrangement}",
        f"station: build {station.build_id[:8]}, {station.size} bytes",
        f"station: checksum {station_sum:08x} ok",
        f"sampler: checksum {sampler_sum:08x} ok",
        *([copying] if arrangement == "copied" else []),
        f"station: sampler released at {grouped(sampler.symbols['vector_table'])}",
        f"sampler: build {sampler.build_id[:8]}, 5 samples a frame, 2 dropped",
        *expected_frames(),
        "tide gauge: done",
    ]


def run_join(
    arrangement: str, *outputs: Path, station: str = "station", sampler: str = "sampler"
) -> subprocess.CompletedProcess[str]:
    """Joins committed ELF files, named without their suffix, through the command line."""
    words = ["join", str(layout_file(arrangement))]
    for build, name in (("station", station), ("sampler", sampler)):
        words.append(f"{build}={BUILT / arrangement / name}.elf")
    for output in outputs:
        words += ["-o", str(output)]
    return run_here(*words, cwd=Path.cwd())


def join(arrangement: str, *outputs: Path) -> None:
    """Joins the arrangement's sound builds; the running test fails where that is refused."""
    done = run_join(arrangement, *outputs)
    if done.returncode:
        pytest.fail(f"join ended with {done.returncode}:\n{done.stdout}{done.stderr}")


def boot(image: Path) -> list[str]:
    """Boots an image in the emulated machine; the lines it sends, to the one that says how it ended.

    A machine that says no last line is stopped after ``BOOT_LIMIT`` seconds; what it said until then
    is returned.
    """
    start = read_layout("in-place")["memory"]["flash"]["start"]
    where = f"file={image}" + (f",addr={start:#x}" if image.suffix == ".bin" else "")
    machine = subprocess.Popen(
        [required_tool("qemu-system-arm"), *MACHINE, "-device", f"loader,{where}"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        encoding="ascii",
    )
    limit = threading.Timer(BOOT_LIMIT, machine.kill)
    limit.start()
    lines = []
    try:
        for line in machine.stdout or ():
            lines.append(line.rstrip("\n"))
            if line.startswith("tide gauge: "):
                break
    finally:
        limit.cancel()
        machine.kill()
        machine.communicate()
    return lines
