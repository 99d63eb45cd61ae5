"""Real ELF files read line by line against binutils' readelf, and against the library pyelftools."""

from __future__ import annotations

import io
import re
import subprocess
from pathlib import Path

import pytest
from builds.compiled import VARIANTS, compile_build
from reading_builds import one_refusal, read, refused
from tools import required_tool

from gemel.builds.build import Build
from gemel.m_profile.attribute_tags import TAGS

REPOSITORY = Path(__file__).parents[3]
BUILT = sorted((REPOSITORY / "testdata" / "tide-gauge" / "built").glob("*/*.elf"))
READ_ELF = "arm-none-eabi-readelf"


@pytest.fixture(scope="module", params=[*VARIANTS, *(f"{p.parent.name}/{p.name}" for p in BUILT)])
def elf_file(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One ELF file: a compiled variant, or one of the tide gauge's."""
    if request.param in VARIANTS:
        folder = tmp_path_factory.mktemp("compiled")
        compile_build(folder, VARIANTS[request.param])
        return folder / "build.elf"
    return REPOSITORY / "testdata" / "tide-gauge" / "built" / request.param


@pytest.fixture(scope="module")
def build(elf_file: Path) -> Build:
    """The build in it."""
    return read(elf_file.read_bytes())


def _said_by_readelf(option: str, file: Path) -> str:
    tool = required_tool(READ_ELF)
    done = subprocess.run([tool, option, file], check=True, capture_output=True, text=True, timeout=60)
    return done.stdout


def test_the_tide_gauge_is_there() -> None:
    """The real builds of the scenario are among the files compared."""
    assert len(BUILT) >= 6


def test_segments_against_readelf(elf_file: Path, build: Build) -> None:
    """Every loadable segment has the addresses, sizes and permissions that readelf prints."""
    said = []
    for line in _said_by_readelf("-lW", elf_file).splitlines():
        match = re.match(r"\s+LOAD\s+(0x\w+) (0x\w+) (0x\w+) (0x\w+) (0x\w+) ([R ])([W ])([E ]) 0x\w+$", line)
        if match:
            offset, run, load, file_size, memory_size = (int(text, 16) for text in match.groups()[:5])
            data = elf_file.read_bytes()[offset : offset + file_size]
            if memory_size:
                said.append((load, run, data, memory_size, *(letter != " " for letter in match.groups()[5:])))
    ours = [
        (s.load_address, s.run_address, s.data, s.memory_size, s.readable, s.writable, s.executable)
        for s in sorted(build.segments, key=lambda segment: segment.index)
    ]
    assert said
    assert ours == said


def test_entry_against_readelf(elf_file: Path, build: Build) -> None:
    """The entry point is what readelf prints."""
    match = re.search(r"Entry point address:\s+(0x\w+)", _said_by_readelf("-hW", elf_file))
    assert match
    assert build.entry == int(match[1], 16)


def test_symbols_against_readelf(elf_file: Path, build: Build) -> None:
    """Every symbol reads as readelf prints it, names, numbers and kinds."""
    words = {"FUNC": "function", "OBJECT": "object", "NOTYPE": "notype", "FILE": "file", "SECTION": "section"}
    places = {"UND": 0, "ABS": 0xFFF1, "COM": 0xFFF2}
    said = []
    for line in _said_by_readelf("-sW", elf_file).splitlines():
        match = re.match(
            r"\s+([1-9]\d*): (\w{8})\s+(\S+) (\w+)\s+(\w+)\s+\w+\s+(?:\[.*\]\s+)?(\w+)(?: (.*))?$", line
        )
        if match:
            _, value, size, kind, binding, place, name = match.groups()
            said.append(
                (
                    name or "",
                    int(value, 16),
                    int(size, 0),
                    words[kind],
                    binding.lower(),
                    places[place] if place in places else int(place),
                )
            )
    if not said:
        assert build.symbols is None
        assert "stripped" in build.reason_for("symbols")
        return
    assert build.symbols is not None
    # readelf prints the section's name for a section symbol, whose own name is empty
    ours = [tuple(symbol) for symbol in build.symbols.all()]
    assert [("", *symbol[1:]) if symbol[3] == "section" else symbol for symbol in said] == ours
    for name in {symbol[0] for symbol in ours if symbol[0]}:
        expected = [symbol for symbol in ours if symbol[0] == name]
        assert [tuple(symbol) for symbol in build.symbols.named(name)] == expected


def test_build_id_against_readelf(elf_file: Path, build: Build) -> None:
    """The build id is what readelf prints, or missing where it prints none."""
    match = re.search(r"Build ID: (\w+)", _said_by_readelf("-nW", elf_file))
    assert (build.build_id.hex() if build.build_id else None) == (match[1] if match else None)


# What readelf (binutils 2.40) prints for the values met here, and what we say.
SAID_IN_WORDS = {
    "v6-M": "Armv6-M",
    "v6S-M": "Armv6S-M",
    "v7": "Armv7",
    "v7E-M": "Armv7E-M",
    "v8-M.baseline": "Armv8-M Baseline",
    "v8-M.mainline": "Armv8-M Mainline",
    "v8.1-M.mainline": "Armv8.1-M Mainline",
    "Microcontroller": "microcontroller",
    "VFPv4-D16": "FPv4 with 16 registers",
    "FPv5/FP-D16 for ARMv8": "FP for Armv8 with 16 registers",
    "small": "the smallest integer that holds the values",
    "int": "32 bits",
    "VFP registers": "in floating-point registers",
    "SP only": "single precision only",
    "MVE Integer and FP": "integer and floating point",
    "8-byte, except leaf SP": "8-byte alignment at calls",
}
IN_WORDS = ("CPU_arch", "CPU_arch_profile", "FP_arch", "ABI_enum_size", "ABI_VFP_args", "ABI_HardFP_use",
            "MVE_arch", "ABI_align_preserved")  # fmt: skip


def test_attributes_against_readelf(elf_file: Path, build: Build) -> None:
    """Every build attribute that readelf names is read, with the meaning that it prints."""
    said = dict(re.findall(r"  Tag_(\w+): (.*)", _said_by_readelf("-AW", elf_file)))
    attributes = build.attributes
    assert attributes is not None
    assert {TAGS[tag].name for tag in attributes.values} == set(said)
    assert attributes.not_understood == ()
    for tag in attributes.values:
        name = TAGS[tag].name
        if name in IN_WORDS:
            assert attributes.in_words(tag) == SAID_IN_WORDS[said[name]], name
    assert attributes.cpu_name == said["CPU_name"].strip('"')
    assert attributes.wchar_size == int(said.get("ABI_PCS_wchar_t", "0"))


def test_against_pyelftools(elf_file: Path, build: Build) -> None:
    """Segments, symbols, attributes and build id are what pyelftools, an independent reader, finds."""
    from elftools.elf.elffile import ELFFile
    from elftools.elf.enums import ENUM_ATTR_TAG_ARM

    other = ELFFile(io.BytesIO(elf_file.read_bytes()))
    loads = [segment for segment in other.iter_segments("PT_LOAD") if segment["p_memsz"]]
    assert sorted((s["p_paddr"], s["p_vaddr"], s.data(), s["p_memsz"]) for s in loads) == sorted(
        (s.load_address, s.run_address, s.data, s.memory_size) for s in build.segments
    )
    table = other.get_section_by_name(".symtab")
    if table is not None:
        theirs = [(s["st_value"], s["st_size"]) for s in table.iter_symbols()][1:]
        assert build.symbols is not None
        assert [(symbol.value, symbol.size) for symbol in build.symbols.all()] == theirs
        names = [s.name for s in table.iter_symbols()][1:]
        ours = [symbol.name for symbol in build.symbols.all()]
        assert [o for o, t in zip(ours, names, strict=True) if o] == [
            t for o, t in zip(ours, names, strict=True) if o
        ]
    part = next(other.get_section_by_name(".ARM.attributes").iter_subsections())
    values = {
        ENUM_ATTR_TAG_ARM[attribute.tag]: attribute.value
        for attribute in next(part.iter_subsubsections()).iter_attributes()
        if attribute.tag != "TAG_FILE"
    }
    assert build.attributes is not None
    assert dict(build.attributes.values) == values
    notes = other.get_section_by_name(".note.gnu.build-id")
    ids = {note["n_desc"] for note in notes.iter_notes()} if notes else set()
    assert ids == ({build.build_id.hex()} if build.build_id else set())


def test_every_function_is_found(build: Build) -> None:
    """At every address of each function one is found that holds it, and none that begins earlier.

    The compiler's library has functions that fall into the middle of others; there the inner one answers.
    """
    if build.symbols is None:
        assert "stripped" in build.reason_for("symbols")
        return
    functions = [s for s in build.symbols.all() if s.kind == "function" and s.size and s.defined]
    assert functions
    for function in functions:
        for offset in range(0, function.size, 2):
            found = build.symbols.function_at(function.address + offset)
            assert found is not None
            symbol, distance = found
            assert symbol.address + distance == function.address + offset
            assert distance < symbol.size
            assert symbol.address >= function.address


def _compiled(tmp_path: Path, variant: str) -> Build:
    return read(compile_build(tmp_path, VARIANTS[variant]))


def test_data_loaded_to_ram_by_mistake(tmp_path: Path) -> None:
    """A forgotten load region puts initialised data at its RAM address; no gap is filled for that."""
    build = _compiled(tmp_path, "data loaded to RAM")
    stored = build.stored
    assert stored[-1].load_address == stored[-1].run_address == 0x2000_0000
    assert build.stored_size < 10_000


@pytest.mark.parametrize(
    ("variant", "expected"),
    [
        ("armv6-m", {"cpu_arch": 12, "fp_arch": 0, "fp_args": 0, "enum_size": 1, "wchar_size": 4}),
        ("armv7e-m hard float", {"cpu_arch": 13, "fp_arch": 6, "fp_args": 1}),
        ("armv7e-m softfp", {"cpu_arch": 13, "fp_arch": 6, "fp_args": 0}),
        ("armv8-m.main wide enums", {"cpu_arch": 17, "dsp": 1, "enum_size": 2, "wchar_size": 2}),
        ("armv8.1-m.main vectors", {"cpu_arch": 21, "mve": 2, "fp_args": 1}),
    ],
)
def test_what_compiler_options_leave_in_attributes(
    tmp_path: Path, variant: str, expected: dict[str, int]
) -> None:
    """Options of the compiler are found again in the attributes (measured with GCC 12.2, binutils 2.40)."""
    attributes = _compiled(tmp_path, variant).attributes
    assert attributes is not None
    assert {name: getattr(attributes, name) for name in expected} == expected


def test_build_id_sizes_of_the_linker(tmp_path: Path) -> None:
    """The linker's styles of build id have 16 and 20 bytes."""
    (tmp_path / "a").mkdir()
    assert len(_compiled(tmp_path, "md5 build id").build_id or b"") == 16
    assert len(_compiled(tmp_path / "a", "armv7-m").build_id or b"") == 20


def test_unlinked_object(tmp_path: Path) -> None:
    """A real relocatable object is refused with what to do."""
    compiler = required_tool("arm-none-eabi-gcc")
    (tmp_path / "a.c").write_text("int measured(void) { return 1; }\n")
    subprocess.run([compiler, "-march=armv7-m", "-mthumb", "-c", "a.c"], cwd=tmp_path, check=True, timeout=60)
    assert "link it first" in one_refusal((tmp_path / "a.o").read_bytes(), "a.o")


def test_program_of_this_machine() -> None:
    """A program of the machine that runs the tests is refused, unless it is a 32-bit Arm one."""
    path = Path("/bin/true")
    data = path.read_bytes() if path.exists() else b""
    if data[:4] != b"\x7fELF" or data[18:20] == b"\x28\x00":
        pytest.skip("no ELF program of another machine at /bin/true")
    assert refused(data, "true")
