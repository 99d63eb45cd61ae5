"""Source lines of debug information, compared with pyelftools, and damaged."""

from __future__ import annotations

import io
import random
from pathlib import Path

import pytest
from compiled_pairs import compiled, pair
from elftools.elf.elffile import ELFFile
from gauge_builds import gauge_builds
from tide_gauge import BUILT as GAUGES

from gemel.builds import debug_information
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource

GAUGE = GAUGES / "in-place" / "station.elf"
BUILT = Path(__file__).resolve().parents[2] / "testdata" / "rehearsal" / "built"


def rows_of(data: bytes) -> list[tuple[int, str]]:
    """The rows that the project reads."""
    build = read_build(BytesSource(data, "x.elf"), name="x", file="x.elf")
    rows = build.debug.lines().rows if build.debug else []
    return [(address, f"{file}:{line}" if file else "") for address, file, line in rows]


@pytest.mark.parametrize("file", [BUILT / "station-none.elf", GAUGE], ids=lambda file: file.name)
def test_rows_equal_those_of_an_independent_reader(file: Path) -> None:
    """Every row has the address, file and line that pyelftools gives; rows of one address keep their order.

    Rows where their sequence ends name no instruction, and must not name what follows.
    """
    data = file.read_bytes()
    dwarf, expected = ELFFile(io.BytesIO(data)).get_dwarf_info(), []
    for unit in dwarf.iter_CUs():
        program = dwarf.line_program_for_CU(unit)
        files = [entry.name.decode() for entry in program["file_entry"]]
        base = 0 if program["version"] >= 5 else 1
        for state in (entry.state for entry in program.get_entries() if entry.state is not None):
            while state.end_sequence and expected and expected[-1][0] == state.address and expected[-1][1]:
                expected.pop()
            name = files[state.file - base].rpartition("/")[2]
            expected.append((state.address, "" if state.end_sequence else f"{name}:{state.line}"))
    assert len(expected) > 100
    assert rows_of(data) == sorted(expected, key=lambda row: (row[0], row[1] != ""))


def test_damage_never_raises() -> None:
    """Changed bytes anywhere in the line programs give fewer or other rows, never an exception."""
    data = (BUILT / "station-none.elf").read_bytes()
    section = ELFFile(io.BytesIO(data)).get_section_by_name(".debug_line")
    start, size = section["sh_offset"], section["sh_size"]
    for seed in range(150):
        randomness, changed = random.Random(seed), bytearray(data)
        for _ in range(randomness.randint(1, 40)):
            changed[start + randomness.randrange(size)] = randomness.randrange(256)
        rows_of(bytes(changed))


@pytest.mark.parametrize("questions", [1, 1_000_000])
def test_single_questions_and_many_have_the_same_answers(
    questions: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From one program each, and from all of them after QUESTIONS."""
    monkeypatch.setattr(debug_information, "QUESTIONS", questions)
    for build in gauge_builds("in-place").values():
        assert build.debug
        whole = build.debug.lines()
        for address in {row[0] + near for row in whole.rows for near in (-2, 0, 2)}:
            assert build.debug.line_at(address) == whole.at(address), hex(address)


CHOICE = """
volatile uint32_t *const port = (volatile uint32_t *)0x40021000u;
__attribute__((noinline)) uint32_t chosen(uint32_t at) {
    uint32_t value = 0;
    switch (at) {
    case 1: value = port[1]; port[7] = value; break;
    case 2: value = port[2]; port[7] = value; break;
    case 3: value = port[3]; port[7] = value; break;
    default: value = port[4];
    }
    return value;
}
"""


@pytest.mark.parametrize("level", ["-Os", "-O2", "-O3"])
def test_code_of_no_line_has_its_file_alone(level: str) -> None:
    """The compiler merged code of several lines, and says 0."""
    edits = (("/*BEFORE*/", CHOICE), ("/*MAIN*/", "level = chosen(turns);"))
    build = pair(station=compiled("station", "clang", "v7", f"{level} -g", edits))["station"]
    assert build.debug
    lines = build.debug.lines()
    merged = [address for address, file, line in lines.rows if file and not line]
    assert merged
    assert {lines.at(address) for address in merged} == {"core.c"}
    assert all(lines.at(address) == f"{file}:{line}" for address, file, line in lines.rows[:5] if line)


UNUSED = "\n".join(
    f"uint32_t unused_{number}(volatile uint32_t *at) {{\n"
    + "    at[1] = at[2] + 1;\n" * 9
    + "    return *at;\n}"
    for number in range(3)
)


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_lines_of_discarded_functions_are_not_those_of_code_at_zero(compiler: str) -> None:
    """Flash at 0 holds the code that has the lines of the same code elsewhere, though the linker left others at 0."""
    edits = (("/*BEFORE*/", UNUSED),)
    at_zero = (*edits, ("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = 0"))
    files = (compiled("station", compiler, "v7", "-O1 -g", each) for each in (edits, at_zero))
    elsewhere, here = (dict(rows_of(data)) for data in files)
    start = 0x1000_0000
    assert len(elsewhere) > 20
    assert here == {address - start: line for address, line in elsewhere.items() if address >= start}
