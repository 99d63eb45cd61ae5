"""The committed ELF files are what the committed sources make."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from tide_gauge import BUILT, GAUGE
from tools import required_tool

COMPILER = "15:12.2.rel1-1"
ASSEMBLER = "2.40"


def refuse_other_versions() -> None:
    """Skips (or fails, where tools are demanded) unless the tools are those of the committed files."""
    for program, wanted in (("arm-none-eabi-gcc", COMPILER), ("arm-none-eabi-as", ASSEMBLER)):
        answer = subprocess.run(
            [required_tool(program), "--version"], capture_output=True, text=True, check=True
        )
        first = answer.stdout.splitlines()[0]
        if wanted not in first:
            reason = f"built with {program} {wanted} of Debian 12, found: {first}"
            if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
                pytest.fail(reason)
            pytest.skip(reason)


def elf_files(folder: Path) -> dict[str, bytes]:
    """Every ELF file below a folder, by its path there."""
    return {file.relative_to(folder).as_posix(): file.read_bytes() for file in folder.rglob("*.elf")}


def test_rebuilding_elsewhere_gives_the_committed_bytes(tmp_path: Path) -> None:
    """A build in another folder gives every committed ELF file byte by byte, and no other."""
    refuse_other_versions()
    copy = tmp_path / "another-folder"
    shutil.copytree(GAUGE, copy, ignore=shutil.ignore_patterns("built", "build"))
    made = subprocess.run(
        [required_tool("make"), "-C", str(copy), "-j2"], capture_output=True, text=True, check=False
    )
    assert made.returncode == 0, made.stdout + made.stderr
    rebuilt, committed = elf_files(copy / "built"), elf_files(BUILT)
    assert rebuilt.keys() == committed.keys()
    assert [name for name in committed if rebuilt[name] != committed[name]] == []
