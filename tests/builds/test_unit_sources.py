"""The source file of each symbol, by units, against the reader of line programs in binutils."""

from __future__ import annotations

import posixpath
import random
import subprocess
from pathlib import Path

import pytest
from tide_gauge import BUILT
from tools import required_tool

from gemel.builds.build import Build
from gemel.builds.dwarf.unit_sources import UnitSources
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.errors import BuildError

FILES = sorted(BUILT.rglob("*.elf"))


def sources_of(build: Build) -> UnitSources:
    """The sources of a build that has debug information."""
    assert build.debug is not None
    return build.debug.unit_sources()


def build_of(file: Path) -> Build:
    """A build from its file."""
    return read_build(BytesSource(file.read_bytes(), file.name), name="station", file=file.name)


@pytest.mark.parametrize("file", FILES, ids=lambda file: f"{file.parent.name}-{file.stem}")
def test_functions(file: Path) -> None:
    """Each function is of the folder that ``addr2line`` names; it reads line programs, gemel here reads none.

    The files differ where a unit includes another's source.
    """
    build = build_of(file)
    found = sources_of(build)
    assert found.damaged == ""
    assert build.symbols is not None
    functions = [each for each in build.symbols.all() if each.kind == "function" and each.size]
    words = [
        required_tool("arm-none-eabi-addr2line"),
        "-e",
        str(file),
        *(hex(each.address) for each in functions),
    ]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()
    compared = 0
    for symbol, line in zip(functions, said, strict=True):
        path = posixpath.normpath(line.rpartition(":")[0])
        if not path.startswith("??"):
            assert posixpath.dirname(found.at(symbol.address)) == posixpath.dirname(path), symbol.name
            compared += 1
    assert compared > 10


@pytest.mark.parametrize("file", FILES, ids=lambda file: f"{file.parent.name}-{file.stem}")
def test_variables(file: Path) -> None:
    """Each object of a whole file whose source ``nm -l`` knows is of that source; those inside functions are not looked
    for, and GCC gives them a dot and a number."""
    words = [required_tool("arm-none-eabi-nm"), "-l", str(file)]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()
    found = sources_of(build_of(file))
    compared = 0
    for line in said:
        symbol, _, place = line.partition("\t")
        address, kind, _ = symbol.split(maxsplit=2)
        if kind in "bBdDrR" and place and "." not in symbol:
            path = posixpath.normpath(place.rpartition(":")[0])
            assert found.at(int(address, 16)).rpartition("/")[2] == path.rpartition("/")[2], line
            compared += 1
    assert compared


def test_damaged() -> None:
    """Damaged debug information ends the reading of a unit or of all, with the reason, and never in another error."""
    whole = (BUILT / "in-place" / "station.elf").read_bytes()
    sound = sources_of(build_of(BUILT / "in-place" / "station.elf"))
    numbers = random.Random(14)
    damaged = 0
    for _ in range(150):
        data = bytearray(whole)
        for _ in range(numbers.choice((1, 20, 400))):
            data[numbers.randrange(0x1000, len(data) - 0x800)] = numbers.randrange(256)
        try:
            build = read_build(BytesSource(bytes(data), "damaged.elf"), name="station", file="damaged.elf")
        except BuildError:
            continue
        if build.debug:
            found = build.debug.unit_sources()
            assert found.ranges or found.damaged
            damaged += found != sound
    assert damaged > 20


@pytest.mark.parametrize("version", [2, 3, 4, 5])
@pytest.mark.parametrize("name", ["x", "a_long_name"], ids=["text", "reference"])
def test_every_form_of_a_location(version: int, name: str, tmp_path: Path) -> None:
    """Variables are found whatever the form of name and location, and past functions and types that are passed over."""
    source = tmp_path / "gauge.c"
    source.write_text(
        f"struct s {{ int a; char b[3]; }};\nint f(int n) {{ static int inner; return n + inner++; }}\n"
        f"struct s {name} = {{ 1, {{ 2 }} }};\nconst int {name}2 = 7;\n"
        f"int g(void) {{ return {name}.a; }}\nint {name}3;\n"
    )
    built = tmp_path / "gauge.elf"
    options = [
        "-mthumb",
        "-nostdlib",
        "-ffreestanding",
        f"-gdwarf-{version}",
        "-O1",
        "-Wl,-e,f",
        "-Wl,-Ttext=0x1000",
    ]
    words = [required_tool("arm-none-eabi-gcc"), *options, str(source), "-o", str(built)]
    subprocess.run(words, check=True, capture_output=True)
    build = build_of(built)
    assert build.symbols
    found = sources_of(build)
    assert found.damaged == ""
    for each in (name, f"{name}2", f"{name}3", "f", "g"):
        symbol = build.symbols.find(each)
        assert symbol
        assert found.at(symbol.address) == str(source), each
