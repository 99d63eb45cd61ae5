"""Code told from data by mapping symbols, on files that a test writes and against binutils on real ones."""

from __future__ import annotations

import re
import subprocess

import pytest
from capability_builds import BUILT, capability_build
from elf_writer import SegmentSpec, SymbolSpec, elf
from small_device import STATION
from small_device import build as build_of
from tools import required_tool

from gemel.builds.mapped_code import MAX_OF_BUILD, MappedCode, mapped_code
from gemel.spans import Span

NOP, WORD = b"\x00\xbf", b"\x90\xed\x00\x0a"


def _mapped(
    code: bytes, *marks: tuple[str, int], functions: tuple[tuple[int, int], ...] = (), **options
) -> MappedCode:
    symbols = [SymbolSpec(name, STATION + at, 0, "notype", "local") for name, at in marks]
    symbols += [SymbolSpec(f"at_{at}_{size}", STATION + at + 1, size) for at, size in functions]
    found = mapped_code(build_of("station", elf([SegmentSpec(STATION, code)], symbols=symbols, **options)))
    assert found is not None
    return found


def test_data_becomes_harmless_and_code_stays() -> None:
    """Bytes of data read as zeros, those of code as they are; only code counts."""
    found = _mapped(NOP * 2 + WORD + NOP, ("$t", 0), ("$d", 4), ("$t.1", 8))
    (section,) = found.sections
    assert (section.start, section.code) == (STATION, NOP * 2 + bytes(4) + NOP)
    assert (section.size, section.arm) == (6, ())


def test_what_stands_before_the_first_mark_is_data() -> None:
    """Nothing is known of bytes in front of the first mapping symbol."""
    (section,) = _mapped(WORD + NOP, ("$t", 4)).sections
    assert section.code == bytes(4) + NOP


def test_arm_code_is_set_apart() -> None:
    """$a begins Arm code, which is not read as Thumb."""
    (section,) = _mapped(NOP + NOP + WORD * 2, ("$t", 0), ("$a", 4)).sections
    assert section.arm == (Span(STATION + 4, 8),)
    assert section.code == NOP * 2 + bytes(8)


def test_fill_behind_code_is_no_code() -> None:
    """Erased halfwords behind the last instruction in front of a mark are fill; others stay."""
    fill = b"\xff" * 4
    (section,) = _mapped(NOP + fill + NOP + fill, ("$t", 0), ("$t", 6)).sections
    assert section.code == NOP + bytes(4) + NOP + bytes(4)
    assert section.size == 4
    (section,) = _mapped(NOP + fill + NOP, ("$t", 0)).sections
    assert section.code == NOP + fill + NOP


@pytest.mark.parametrize(
    ("functions", "data"),
    [
        (((0, 4), (8, 8)), (4, 8)),
        (((0, 4), (6, 0), (12, 4)), (4, 6)),
        (((0, 0), (8, 8)), (0, 0)),
        (((0, 12), (4, 4)), (12, 16)),
        (((0, 4), (0, 10), (2, 0)), (10, 16)),
        (((0, 4), (0, 4), (8, 8)), (4, 8)),
        (((0, 8), (4, 8)), (12, 16)),
    ],
    ids=["two", "one without a size", "the first without", "one inside", "aliases", "twice", "overlapping"],
)
def test_what_is_between_functions_is_data(
    functions: tuple[tuple[int, int], ...], data: tuple[int, int]
) -> None:
    """From the end of a function to the next one; one without a size goes on up to there."""
    first, last = data
    (section,) = _mapped(NOP * 8, ("$t", 0), functions=functions).sections
    assert section.code == NOP * (first // 2) + bytes(last - first) + NOP * (8 - last // 2)


def test_sections_without_marks_are_told() -> None:
    """A section of code without any mapping symbol is named, not read."""
    found = _mapped(NOP * 4, ("work", 0))
    assert (found.sections, found.unmapped) == ((), (Span(STATION, 8),))


@pytest.mark.parametrize(
    "marks", [[("$t", 400), ("$d", 2)], [("$d", 2), ("$d", 2), ("$t", 2)], [("$t", 9999)]]
)
def test_marks_in_any_place_do_no_harm(marks: list[tuple[str, int]]) -> None:
    """Marks outside their section, twice at one place or out of order change no size and raise nothing."""
    found = _mapped(NOP * 4, *marks)
    assert all(len(section.code) == 8 for section in found.sections)


def test_sections_over_each_other_are_read_twice_at_most() -> None:
    """Many headers for the same bytes, as in a file made to be slow, cost no more than the build is worth."""
    segments = [SegmentSpec(STATION, NOP * 8)]
    segments += [SegmentSpec(STATION, NOP * 8, type=0x6000_0000) for _ in range(50)]
    symbols = [SymbolSpec("$t", STATION, 0, "notype", "local", number + 1) for number in range(51)]
    found = mapped_code(build_of("station", elf(segments, symbols=symbols)))
    assert found is not None
    assert (len(found.sections), len(found.unmapped)) == (MAX_OF_BUILD, 51 - MAX_OF_BUILD)


def test_a_stripped_file_has_no_map() -> None:
    """Without symbols there is nothing to tell code from data by."""
    assert mapped_code(build_of("station", elf([SegmentSpec(STATION, NOP)]))) is None


@pytest.mark.parametrize("file", ["station", "small-sampler", "sampler-vector", "keeper", "caller"])
def test_objdump_sees_the_same_instructions(file: str) -> None:
    """Addresses that objdump disassembles as instructions are code here, and its .word is data (binutils)."""
    listed = subprocess.run(
        [required_tool("arm-none-eabi-objdump"), "-d", str(BUILT / f"{file}.elf")],
        capture_output=True,
        text=True,
        check=True,
    )
    rows = re.findall(r"^\s*([0-9a-f]+):\t([0-9a-f ]+)\t(\S+)", listed.stdout, re.MULTILINE)
    name = {"station": "station", "keeper": "keeper", "caller": "caller"}.get(file, "sampler")
    found = mapped_code(capability_build(name, file))
    assert found is not None
    checked = 0
    for address, words, mnemonic in rows:
        size = len(words.replace(" ", "")) // 2
        data = b"".join(bytes.fromhex(word)[::-1] for word in words.split())
        at = int(address, 16)
        section = next(each for each in found.sections if 0 <= at - each.start < len(each.code))
        kept = section.code[at - section.start : at - section.start + size]
        assert kept == (bytes(size) if mnemonic.startswith(".") else data), (address, mnemonic)
        checked += 1
    assert checked > 15
