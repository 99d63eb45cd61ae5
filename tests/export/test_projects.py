"""The example projects: the tide gauge built from the exports of its layouts in a clean folder, to the same bytes."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile
from tide_gauge import ARRANGEMENTS, BUILT, ROOT
from tools import required_tool

CORES = ("station", "sampler")
ALLOCATED = 2  # SHF_ALLOC
Stored = dict[str, tuple[int, int, bytes]]


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """The projects, the gauge's sources and layouts, and a command ``gemel``; nothing that was built."""
    required_tool("arm-none-eabi-gcc")
    for folder in ("testdata/projects", "testdata/tide-gauge", "layouts"):
        left_out = shutil.ignore_patterns("built", "build", "out")
        shutil.copytree(ROOT / folder, tmp_path / folder, ignore=left_out)
    command = tmp_path / "bin" / "gemel"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m gemel "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    return tmp_path


def run(project: Path, *words: object, ends_well: bool = True) -> str:
    """What a program prints in the project's folder, which ends as expected."""
    path = f"{project / 'bin'}:{os.environ['PATH']}"
    done = subprocess.run(
        [str(word) for word in words],
        cwd=project / "testdata" / "projects",
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PATH": path, "PYTHONPATH": str(ROOT / "imgtool_src")},
    )
    assert (done.returncode == 0) is ends_well, done.stdout + done.stderr
    return done.stdout


def misplaced(sampler: Path) -> None:
    """Put a sampler there that the station does not expect, newer than all that it would be made from."""
    sampler.write_bytes((BUILT / "in-place" / "sampler-misplaced.elf").read_bytes())
    os.utime(sampler, (time.time() + 5, time.time() + 5))


def stored(file: Path) -> Stored:
    """Address, size and bytes of each allocated section; of the build id, which covers debug information, no bytes."""
    found: Stored = {}
    with file.open("rb") as stream:
        for section in ELFFile(stream).iter_sections():
            if section["sh_flags"] & ALLOCATED and section["sh_size"]:
                named = section["sh_type"] == "SHT_NOBITS" or section.name == ".note.gnu.build-id"
                data = b"" if named else section.data()
                found[section.name] = section["sh_addr"], section["sh_size"], data
    return found


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_make_builds_the_gauge_from_its_exports(arrangement: str, project: Path) -> None:
    """Both cores' bytes are the committed ones; the image is made once, checked, and kept where a build is faulty."""
    make = (required_tool("make"), "-C", "make", "-j2", f"ARRANGEMENT={arrangement}")
    assert "PASS: " in run(project, *make)
    made = project / "testdata" / "projects" / "make" / "out" / arrangement
    for core in CORES:
        assert stored(made / f"{core}.elf") == stored(BUILT / arrangement / f"{core}.elf")
    image = (made / "tide.hex").read_bytes()
    assert "join" not in run(project, *make)
    misplaced(made / "sampler.elf")
    assert "gemel join" in run(project, *make, ends_well=False)
    assert (made / "tide.hex").read_bytes() == image


def test_cmake_builds_the_gauge_and_follows_its_layout(project: Path) -> None:
    """``cmake --build`` gives the committed bytes, and after a change of the layout builds that keep to the new one."""
    run(project, required_tool("cmake"), "-S", "cmake", "-B", "out")
    build = ("cmake", "--build", "out", "--target", "tide", "tide-check", "-j2")
    assert "PASS: " in run(project, *build)
    made = project / "testdata" / "projects" / "out"
    for core in CORES:
        assert stored(made / f"{core}.elf") == stored(BUILT / "in-place" / f"{core}.elf")
    layout = project / "layouts" / "tide-gauge-in-place.toml"
    text = layout.read_text(encoding="utf-8")
    head, link, rest = text.partition("[area.link]")
    layout.write_text(
        head + link + rest.replace('offset = "64 KiB"', 'offset = "96 KiB"', 1), encoding="utf-8"
    )
    assert "PASS: " in run(project, *build)
    assert [stored(made / f"{core}.elf")[".link"][0] for core in CORES] == [0x3801_8000] * 2
    misplaced(made / "sampler.elf")
    run(project, *build, ends_well=False)
