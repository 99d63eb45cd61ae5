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
