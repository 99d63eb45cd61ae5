"""ELF files that were changed by accident or on purpose: a build or an error, soon, in bounded memory."""

from __future__ import annotations

import struct
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
from elf_writer import SegmentSpec, SymbolSpec, elf
from hypothesis import example, given, settings
from hypothesis import strategies as st
from reading_builds import CODE, FLASH, RAM
from seconds import within

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.errors import BuildError
from gemel.spans import ADDRESS_SPACE

SOUND = elf(
    [
        CODE,
        SegmentSpec(FLASH + 64, b"initial!", run_address=RAM, memory_size=32, flags="rw"),
        SegmentSpec(RAM + 64, memory_size=256, flags="rw"),
    ],
    symbols=[
        SymbolSpec("$t", FLASH, kind="notype", binding="local"),
        SymbolSpec("reset_handler", FLASH + 1, 32),
        SymbolSpec("frames", RAM, 32, "object"),
    ],
    build_id=bytes(range(20)),
    attributes={5: "core", 6: 17, 7: 0x4D, 9: 3, 26: 1, 46: 1},
    entry=FLASH + 1,
    note_segment=True,
)
REAL = sorted((Path(__file__).parents[3] / "testdata" / "tide-gauge" / "built").glob("*/*.elf"))
EDGES = (0, 1, 31, 32, 39, 40, 52, 0x7F, 0xFF, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFF0, 0xFFFF_FFFF)


def _ask_everything(data: bytes) -> Build | None:
    """The build in ``data`` after every question to it, or None if it is refused."""
    try:
        build = read_build(BytesSource(data), name="sampler", file="sampler.elf")
        if build.symbols is not None:
            symbols = list(build.symbols.all())
            for symbol in symbols[:20]:
                build.symbols.named(symbol.name)
                build.symbols.function_at(symbol.value)
            build.symbols.mapping()
    except BuildError:
        return None
    for segment in build.segments:
        assert len(segment.data) <= segment.memory_size
        assert segment.load_span.end <= ADDRESS_SPACE
        assert segment.run_span.end <= ADDRESS_SPACE
    assert build.stored_size
    assert build.segments == tuple(sorted(build.segments, key=lambda s: (s.load_address, s.index)))
    if build.attributes is not None:
        for tag in build.attributes.values:
            build.attributes.in_words(tag)
    return build


def test_sound_file_is_read() -> None:
    """The file that the tests here start from has everything."""
    build = _ask_everything(SOUND)
    assert build is not None
    assert build.missing == ()
    assert build.remarks == ()


@settings(max_examples=600)
@given(
    st.lists(
        st.tuples(st.integers(0, len(SOUND) - 1), st.sampled_from(EDGES), st.sampled_from((1, 2, 4))),
        min_size=1,
        max_size=4,
    ),
    st.one_of(st.none(), st.integers(0, len(SOUND))),
)
@example([(42, 0xFFFF, 2)], None)
@example([(53, 0, 4), (97, 0, 4)], None)
def test_changed_words(changes: list[tuple[int, int, int]], cut: int | None) -> None:
    """Any few words changed to edge values, and any cut, give a build or a BuildError, nothing else."""
    data = bytearray(SOUND)
    for at, value, width in changes:
        data[at : at + width] = (value & (1 << 8 * width) - 1).to_bytes(width, "little")[: len(data) - at]
    _ask_everything(bytes(data[:cut]))


@settings(max_examples=200)
@given(
    st.sampled_from(REAL),
    st.lists(st.tuples(st.integers(0, 1 << 30), st.integers(0, 255)), min_size=1, max_size=8),
)
def test_changed_bytes_of_real_files(path: Path, changes: list[tuple[int, int]]) -> None:
    """Real files with a few bytes changed, half of them in the headers, give a build or a BuildError."""
    data = bytearray(path.read_bytes())
    headers = int.from_bytes(data[32:36], "little")
    for at, value in changes:
        place = at // 2
        data[headers + place % (len(data) - headers) if at % 2 else place % 300] = value
    _ask_everything(bytes(data))


@settings(max_examples=300)
@given(st.binary(max_size=300))
def test_noise_behind_the_identification(noise: bytes) -> None:
    """Noise that begins like a 32-bit ELF file gives a build or a BuildError, nothing else."""
    _ask_everything(SOUND[:24] + noise)


def test_every_word_of_the_headers() -> None:
    """Every 16-bit place of the file set to each edge value gives a build or a BuildError, nothing else."""
    refused = 0
    for at in range(0, len(SOUND) - 1, 2):
        for value in (0, 0xFFFF, 0x8000, SOUND[at] ^ 1):
            refused += _ask_everything(SOUND[:at] + struct.pack("<H", value) + SOUND[at + 2 :]) is None
    assert refused > 50


def _many_segments(data: bytes) -> bytes:
    """1,024 program headers, each claiming all of ``data``."""
    specs = [SegmentSpec(0x1000 * n, b"", memory_size=1) for n in range(1024)]
    size = len(elf(specs))
    file = elf(
        specs,
        program_headers={
            n: {"p_offset": 0, "p_filesz": size + len(data), "p_memsz": size + len(data)} for n in range(1024)
        },
    )
    return file + data


BIG = bytes(4 << 20)
HOSTILE: dict[str, Callable[[], bytes]] = {
    "all program headers over the same bytes": lambda: _many_segments(BIG),
    "a million program headers": lambda: (
        elf([CODE], header={"e_phnum": 0xFFFF}, section_headers={"": {"sh_info": 1_000_000}})
        + bytes(32_000_000)
    ),
    "sizes near 4 GiB": lambda: _first(p_filesz=0xFFFF_FFF0, p_memsz=0xFFFF_FFF0),
    "memory of 4 GiB": lambda: _first(p_vaddr=0, p_memsz=0xFFFF_FFFF),
    "65,535 section headers": lambda: elf([CODE], header={"e_shnum": 0xFFFF}) + bytes(40 * 0xFFFF),
    "16,384 note sections over the same bytes": lambda: _with_sections(7, 52, 1 << 20),
    "16,384 attribute sections": lambda: _with_sections(0x7000_0003, 52, 1 << 16),
    "a symbol table over the whole file": lambda: elf(
        [SegmentSpec(FLASH, BIG)],
        symbols=[SymbolSpec("x", FLASH)],
        section_headers={
            ".symtab": {"sh_offset": 0, "sh_size": 4 << 20},
            ".strtab": {"sh_offset": 0, "sh_size": 4 << 20},
        },
    ),
    "notes of no size": lambda: elf([CODE], notes=bytes(65_532)),
    "attributes of no end": lambda: elf(
        [CODE], attributes=b"A" + struct.pack("<I", 65_000) + b"aeabi\0" + b"\x01" * 64_990
    ),
    "512 segments of equal bytes": lambda: elf([SegmentSpec(FLASH, bytes(4096))] * 512),
    "512 segments of nearly equal bytes": lambda: elf(
        [SegmentSpec(FLASH, bytes(4095) + bytes((n & 1,)), run_address=0x1000 * n) for n in range(512)]
    ),
}


def _first(**fields: int) -> bytes:
    """A file of one segment whose program header has ``fields`` replaced."""
    return elf([CODE], program_headers={0: fields})


def _with_sections(kind: int, offset: int, size: int) -> bytes:
    """A file with 16,384 section headers of one type over one place."""
    start = elf([SegmentSpec(FLASH, bytes(1 << 20))], sections=False)
    header = struct.pack("<10I", 0, kind, 0, 0, offset, size, 0, 0, 1, 0)
    data = bytearray(start + header * 16_384)
    data[32:36] = struct.pack("<I", len(start))
    data[46:50] = struct.pack("<HH", 40, 16_384)
    return bytes(data)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_file_costs_little(name: str) -> None:
    """A hostile file is read or refused within two seconds, in at most three times its size and 4 MiB."""
    data = HOSTILE[name]()
    with within(2):
        _read_or_refuse(data)
    tracemalloc.start()
    try:
        _read_or_refuse(data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 3 * len(data) + (4 << 20)


def _read_or_refuse(data: bytes) -> None:
    try:
        build = read_build(BytesSource(data), name="sampler", file="sampler.elf")
        if build.symbols is not None:
            build.symbols.named("reset_handler")
    except BuildError:
        pass


def test_a_thousand_problems_are_told_in_short() -> None:
    """The first twenty problems are told in full, the others counted."""
    data = elf([CODE] * 1000, program_headers={n: {"p_memsz": 1} for n in range(1000)})
    with pytest.raises(BuildError) as caught:
        read_build(BytesSource(data), name="sampler", file="sampler.elf")
    assert len(caught.value.problems) == 21
    assert "980 more" in str(caught.value.problems[-1])


def test_sound_file_costs_what_it_stores() -> None:
    """Of a sound file, only what it loads is held in memory: one copy."""
    stored = bytes(2 << 20)
    debug = SegmentSpec(0, bytes(8 << 20), type=0x6FFF_FFFF)
    data = elf([SegmentSpec(FLASH, stored), debug])
    tracemalloc.start()
    try:
        build = read_build(BytesSource(data), name="sampler", file="sampler.elf")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert build.stored_size == len(stored)
    assert peak < 1.2 * len(stored)
