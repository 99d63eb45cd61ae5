"""Split debug information (DWARF 5, section 7.3.2) is read from beside the ELF file, as if it were inside."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from tools import required_tool

from gemel.builds.dwarf.debug_types import DebugTypes
from gemel.workflows.inputs.builds import load_builds

FIRST = """
enum quality { GOOD = 3, POOR = 40 };
struct frame { unsigned level; unsigned char quality; };
struct link { struct frame frames[4]; enum quality quality; };
volatile struct link link;
int measure(void);
void start(void) { link.frames[measure() & 3].quality = POOR; }
"""
SECOND = "typedef struct { short low, high; } pair_t; pair_t pair; int measure(void) { return pair.low++; }"

COMPILERS = {
    "GCC, DWARF 5": ("arm-none-eabi-gcc", "-gdwarf-5"),
    "GCC, DWARF 4": ("arm-none-eabi-gcc", "-gdwarf-4"),
    "GCC, type units": ("arm-none-eabi-gcc", "-gdwarf-5", "-fdebug-types-section"),
    "GCC, older type units, compressed": ("arm-none-eabi-gcc", "-gdwarf-4", "-fdebug-types-section", "-gz"),
    "clang, DWARF 5": ("clang", "--target=arm-none-eabi", "-gdwarf-5"),
    "clang, DWARF 4": ("clang", "--target=arm-none-eabi", "-gdwarf-4"),
}


def built(folder: Path, options: tuple[str, ...], *more: str, first: str = FIRST) -> Path:
    compiler = [required_tool(options[0]), *options[1:], *more, "-mthumb", "-march=armv7-m", "-ffreestanding"]
    (folder / "parts").mkdir(parents=True)
    (folder / "first.c").write_text(first)
    (folder / "second.c").write_text(SECOND)
    linker = [required_tool("arm-none-eabi-gcc"), "-nostdlib", "-Wl,-estart", "-o", "station.elf"]
    objects = ["parts/first.o", "parts/second.o"]
    for command in (
        [*compiler, "-c", "first.c", "-o", objects[0]],
        [*compiler, "-c", "second.c", "-o", objects[1]],
        [*linker, *objects],
    ):
        subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=120)
    return folder / "station.elf"


def types(file: Path) -> DebugTypes:
    debug = load_builds(None, {"station": file})["station"].debug
    assert debug is not None
    return debug.types()


def said(types: DebugTypes) -> list[object]:
    """Sizes, declarations and constants, as far as they do not depend on where an entry is."""
    said: list[object] = [types.elsewhere, types.constants("POOR")]
    for spelling in ("struct link", "struct frame", "enum quality", "pair_t"):
        said.append([types.size_of(each) for each in types.named(spelling)])
    for name in ("link", "pair"):
        said.append([types.declared(each, name) for each in types.variables(name)])
    return said


@pytest.mark.parametrize("options", COMPILERS.values(), ids=COMPILERS)
def test_the_other_half_says_what_a_whole_file_says(options: tuple[str, ...], tmp_path: Path) -> None:
    """Types, variables and enumerators of two sources are those of the same sources compiled whole."""
    whole = types(built(tmp_path / "whole", options))
    split = types(built(tmp_path / "split", options, "-gsplit-dwarf"))
    assert said(split) == said(whole)
    assert said(whole)[1] == (40,)


PACKED = {
    "GCC, DWARF 5": ("station.elf.dwp",),
    "GCC, type units": ("station.dwp",),
    "GCC, older type units, compressed": ("station.dwp",),
    "clang, DWARF 5": ("station.dwp",),
    "clang, DWARF 4": ("station.elf.dwp",),
}


def _packed(folder: Path, options: tuple[str, ...], **more: str) -> Path:
    """A build whose halves are in a package, and nowhere else."""
    file = built(folder, options, "-gsplit-dwarf", **more)
    halves = sorted(str(each) for each in (folder / "parts").glob("*.dwo"))
    program = required_tool("llvm-dwp")
    subprocess.run([program, *halves, "-o", "station.dwp"], cwd=folder, check=True, capture_output=True)
    for half in halves:
        Path(half).unlink()
    return file


@pytest.mark.parametrize("case", PACKED)
def test_a_package_says_what_its_halves_say(case: str, tmp_path: Path) -> None:
    """The package is found by the name of the ELF file, with or without its extension."""
    options = tuple(each for each in COMPILERS[case] if each != "-gz")
    whole = types(built(tmp_path / "whole", options))
    split = _packed(tmp_path / "split", options)
    shutil.move(split.with_suffix(".dwp"), split.parent / PACKED[case][0])
    assert said(types(split)) == said(whole)


def test_a_package_that_is_stale_or_cut_is_named(tmp_path: Path) -> None:
    """The reason is that of the package, not only that halves are absent; a cut index ends in no traceback."""
    options = COMPILERS["clang, DWARF 5"]
    file = _packed(tmp_path / "split", options)
    other = _packed(tmp_path / "other", options, first=FIRST.replace("POOR = 40", "POOR = 41"))
    package = file.with_suffix(".dwp")
    data = package.read_bytes()
    index = data.index(b"\5\0\0\0\3\0\0\0\2\0\0\0")
    for content, reason in (
        (other.with_suffix(".dwp").read_bytes(), "station.dwp, which is of another compilation"),
        (data[: len(data) // 2], "station.dwp, which cannot be read ("),
        (data[:index] + b"\7" + data[index + 1 :], "its index of units breaks the format"),
        (data[: index + 8] + b"\xff" + data[index + 9 :], "its index of units breaks the format"),
        (
            data[: index + 12] + b"\xff\xff\xff\xff" + data[index + 16 :],
            "its index of units breaks the format",
        ),
        (b"text", "not an ELF file"),
    ):
        package.write_bytes(content)
        assert reason in types(file).elsewhere


def test_halves_that_are_absent_stale_or_cut_are_named(tmp_path: Path) -> None:
    """What the rest tells still counts; why one half is not read is said with its name."""
    options = COMPILERS["GCC, DWARF 5"]
    file = built(tmp_path / "split", options, "-gsplit-dwarf")
    other = built(tmp_path / "other", options, "-gsplit-dwarf", first=FIRST.replace("POOR = 40", "POOR = 41"))
    half = file.parent / "parts" / "first.dwo"
    data = half.read_bytes()
    for content, reason in (
        (None, "not next to the ELF file"),
        ((other.parent / "parts" / "first.dwo").read_bytes(), "of another compilation"),
        (data[: len(data) // 2], ""),
        (b"text", "not an ELF file"),
    ):
        half.unlink()
        if content is not None:
            half.write_bytes(content)
        else:
            half.touch()
            half.unlink()
        found = types(file)
        assert "first.dwo" in found.elsewhere
        assert reason in found.elsewhere
        assert found.constants("POOR") == ()
        assert len(found.variables("pair")) == 1
        half.touch()


def test_halves_are_found_by_their_name_alone_and_in_no_other_folder(tmp_path: Path) -> None:
    """A half may have been copied beside the ELF file; a path that leads out of its folder is not followed."""
    file = built(tmp_path / "split", COMPILERS["GCC, DWARF 5"], "-gsplit-dwarf")
    parts = file.parent / "parts"
    shutil.move(parts / "first.dwo", file.parent / "first.dwo")
    assert types(file).elsewhere == ""
    shutil.move(file.parent / "first.dwo", tmp_path / "first.dwo")
    (parts / "first.dwo").symlink_to(tmp_path / "first.dwo")
    assert "first.dwo, not next to the ELF file" in types(file).elsewhere
