"""Hypothesis strategies shared between test files."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cache

from elf_writer import SegmentSpec, SymbolSpec, build_id_note, elf
from hypothesis import strategies as st

from gemel.image.sparse import SparseBytes
from gemel.spans import ADDRESS_SPACE

SEAMS = (0, 1 << 16, 1 << 20, 1 << 24, 1 << 31, ADDRESS_SPACE)
"""Addresses around which formats change their mind: 64 KiB segments, address widths, the end."""


def addresses(limit: int = ADDRESS_SPACE) -> st.SearchStrategy[int]:
    """Addresses below ``limit``, half of them within 300 bytes of a seam."""
    near = [
        st.integers(max(0, seam - 300), min(limit - 1, seam + 300)) for seam in SEAMS if seam - 300 < limit
    ]
    return st.one_of(*near, st.integers(0, limit - 1))


@st.composite
def images(
    draw: st.DrawFn, limit: int = ADDRESS_SPACE, max_runs: int = 6, max_run: int = 700, min_runs: int = 0
) -> SparseBytes:
    """Images of a few runs of bytes, all below ``limit``; later runs overwrite earlier ones."""
    image = SparseBytes()
    for _ in range(draw(st.integers(min_runs, max_runs))):
        address = draw(addresses(limit))
        image.write(address, draw(st.binary(min_size=1, max_size=min(max_run, limit - address))))
    return image


@dataclass(frozen=True)
class Device:
    """A layout and the ELF files of its builds, sound by construction."""

    layout: str
    builds: dict[str, bytes]


CODE_SIZE = 0x800
STARTS = (0x0000_0000, 0x0800_0000, 0x1000_0000)
ALGORITHMS = ("CRC-32/ISO-HDLC", "CRC-32/MPEG-2", "CRC-16/IBM-3740", "CRC-64/XZ", "inverted-sum-32-of-bytes")
VALUES = (
    ("0xC0FFEE", 4),
    ('"gauge"', 8),
    ('{ size_of = "station" }', 4),
    ('{ start_of = "sampler" }', 4),
    ('{ end_of = "sampler-code" }', 4),
    ('{ run_start_of = "sampler" }', 4),
    ('{ vectors_of = "sampler" }', 4),
    ('{ version = "packed" }', 4),
    ('{ version = "text" }', 16),
    ("{ rollback = true }", 4),
    ('{ build_id_of = "station" }', 24),
    ('{ sha256_of = "station" }', 32),
    ('{ sha256_of = "sampler-code" }', 32),
)


@st.composite
def devices(draw: st.DrawFn) -> Device:
    """Two-core devices: areas in any order with gaps, any write unit, a sampler in place or copied, views.

    Stamps and checksums of every kind stand in an area of their own, one behind the other.
    """
    unit, erased = draw(st.sampled_from((1, 2, 8, 16, 64))), draw(st.sampled_from((0x00, 0xFF)))
    flash = draw(st.sampled_from(STARTS))
    seen = draw(st.sampled_from((flash, 0x6000_0000)))
    copied = draw(st.booleans())
    sizes = {
        "station-code": CODE_SIZE,
        "sampler-code": CODE_SIZE,
        "notes": 0x400,
        "record": 0x400,
        "spare": 0x100,
    }
    offsets, end = {}, 0
    for name in draw(st.permutations(list(sizes))):
        offsets[name] = end + draw(st.sampled_from((0, 0x400)))
        end = -(-(offsets[name] + sizes[name]) // 0x400) * 0x400
    values = draw(_values())
    interrupts = draw(st.integers(0, 16))
    offset = draw(st.sampled_from((0, 0x80, 0x100)))
    text = _LAYOUT.format(
        flash=flash,
        size=end,
        unit=unit,
        erased=erased,
        views=f"views = {{ sampler = {seen:#x} }}" if seen != flash else "",
        interrupts=interrupts,
        station=flash + offsets["station-code"],
        offset=offset,
        runs_in='runs_in = "sampler-run"' if copied else "",
        areas="".join(
            f'{name} = {{ memory = "flash", offset = {at}, size = {sizes[name]}, purpose = "{purpose}" }}\n'
            for name, at, purpose in ((name, at, _PURPOSES[name]) for name, at in offsets.items())
        ),
        values=values,
    )
    stored = seen + offsets["sampler-code"]
    sampler_run = 0x3000_3400 if copied else stored
    sampler = _elf(draw, stored + offset, sampler_run + offset, 0x3000_3000, interrupts, None)
    boot = sampler_run + offset
    start = flash + offsets["station-code"]
    station = _elf(draw, start, start, 0x2000_2000, interrupts, boot)
    return Device(text, {"station": station, "sampler": sampler})


@st.composite
def _values(draw: st.DrawFn) -> str:
    """Stamps and checksums in the area ``notes``, each behind the one before."""
    tables, at = [], 0
    for index, (value, width) in enumerate(draw(st.lists(st.sampled_from(VALUES), max_size=5))):
        order = draw(st.sampled_from(("little", "big")))
        tables.append(
            f'[[stamp]]\nname = "stamp-{index}"\nat = {{ area = "notes", offset = {at} }}\n'
            f'width = {width}\nbyte_order = "{order}"\nvalue = {value}\n'
        )
        at += width + draw(st.integers(0, 9))
    ranges = ('"station-code"', '"sampler-code"', '{ build = "sampler" }', '{ area = "notes", size = 0x200 }')
    for index in range(draw(st.integers(0, 3))):
        over = draw(st.lists(st.sampled_from(ranges), min_size=1, max_size=3))
        tables.append(
            f'[[checksum]]\nname = "checksum-{index}"\nalgorithm = "{draw(st.sampled_from(ALGORITHMS))}"\n'
            f'over = [{", ".join(over)}]\nat = {{ area = "notes", offset = {0x200 + 16 * index} }}\n'
        )
    return "\n".join(draw(st.permutations(tables)))


def _elf(draw: st.DrawFn, start: int, run: int, stack: int, interrupts: int, boot: int | None) -> bytes:
    """An ELF file: vectors, an endless loop, noise, the boot constant, a build id, further pieces, data, RAM."""
    code = b"\xfe\xe7" + draw(st.binary(min_size=8, max_size=300))
    code = code + bytes(-len(code) % 4)
    size = 4 * (16 + interrupts)
    reset = run + size + 1
    table = [stack, reset, *[reset] * 5, 0, 0, 0, 0, reset, reset, 0, reset, reset, *[reset] * interrupts]
    constant = struct.pack("<I", boot) if boot is not None else b""
    build_id = draw(st.binary(min_size=16, max_size=20)).ljust(16, b"\1")
    note = build_id_note(build_id)
    data = struct.pack(f"<{len(table)}I", *table) + code + constant + note
    segments = [SegmentSpec(start, data, run_address=run)]
    symbols = [SymbolSpec("reset_handler", reset, 8)]
    if boot is not None:
        symbols.append(SymbolSpec("sampler_start_address", run + size + len(code), 4, "object"))
    at = len(data)
    for piece in draw(st.lists(st.binary(min_size=1, max_size=40), max_size=3)):
        at += draw(st.integers(0, 60))
        segments.append(SegmentSpec(start + at, piece, run_address=run + at, flags="r"))
        at += len(piece)
    ram = stack - 0x1000
    if start == run:
        data = draw(st.binary(min_size=1, max_size=64))
        segments.append(SegmentSpec(start + at, data, run_address=ram + 0x900, flags="rw"))
    segments.append(SegmentSpec(ram, b"", memory_size=draw(st.integers(1, 0x800)), flags="rw"))
    return elf(segments, symbols=symbols, build_id=build_id, entry=reset)


_PURPOSES = {
    "station-code": "code",
    "sampler-code": "code",
    "notes": "data",
    "record": "record",
    "spare": "reserved",
}
_LAYOUT = """\
format = 1
product = "any device"
version = "1.2.3"
rollback = 7

[memory.flash]
kind = "flash"
start = {flash:#x}
size = {size}
erase_block = 1024
write_unit = {unit}
erased_byte = {erased}
{views}

[memory.ram]
kind = "ram"
start = 0x2000_0000
size = "16 KiB"
views = {{ sampler = 0x3000_0000 }}

[core.station]
role = "primary"
architecture = "armv8-m.main"
extensions = ["security"]
interrupts = {interrupts}
ram = ["station-ram"]
reset_vectors = {station:#x}

[core.sampler]
role = "secondary"
architecture = "armv8-m.main"
interrupts = {interrupts}
ram = ["sampler-ram", "sampler-run"]

[area]
{areas}
station-ram = {{ memory = "ram", offset = 0, size = "8 KiB", purpose = "data" }}
sampler-ram = {{ memory = "ram", offset = "8 KiB", size = "4 KiB", purpose = "data" }}
link = {{ memory = "ram", offset = "12 KiB", size = "1 KiB", purpose = "shared" }}
sampler-run = {{ memory = "ram", offset = "13 KiB", size = "3 KiB", purpose = "code" }}

[build.station]
core = "station"
stored_in = "station-code"

[build.sampler]
core = "sampler"
stored_in = "sampler-code"
vector_offset = {offset}
{runs_in}

[contract.link]
area = "link"
boot_symbol = {{ build = "station", symbol = "sampler_start_address" }}

{values}

[record]
area = "record"
"""


@cache
def _debug_ranges(name: str) -> tuple[tuple[int, int], ...]:
    from contract_builds import path_of
    from elftools.elf.elffile import ELFFile

    with path_of(name).open("rb") as stream:
        return tuple(
            (section["sh_offset"], section["sh_size"])
            for section in ELFFile(stream).iter_sections()
            if section.name.startswith(".debug") and section["sh_size"]
        )


@st.composite
def mutated_debug_files(draw: st.DrawFn) -> tuple[bytes, bool]:
    """A real build with bytes of its debug sections replaced, and whether it is C++."""
    from contract_builds import path_of

    name = draw(
        st.sampled_from(["station", "station-dwarf2", "station-types4", "station-types5", "cpp-station"])
    )
    data = bytearray(path_of(name).read_bytes())
    ranges = _debug_ranges(name)
    for _ in range(draw(st.integers(1, 6))):
        offset, size = draw(st.sampled_from(ranges))
        at = offset + draw(st.integers(0, size - 1))
        new = draw(st.binary(min_size=1, max_size=4))
        data[at : at + len(new)] = new
    return bytes(data), name.startswith("cpp")
