"""Test data made again from its sources, for tests that hold the committed files to them."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path

import pytest
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


OTHER_TOOLS = {"clang": "14.0.6", "ld.lld": "14.0.6", "/usr/bin/rustc": "1.63.0"}
"""Programs that some folders need too, with the versions of Debian 12 that their committed files were made by."""


def refuse_other_versions_of(programs: Iterable[str]) -> None:
    """The same for further programs, those of OTHER_TOOLS."""
    for program in programs:
        answer = subprocess.run(
            [required_tool(program), "--version"], capture_output=True, text=True, check=True
        )
        if OTHER_TOOLS[program] not in answer.stdout:
            reason = f"built with {program} {OTHER_TOOLS[program]}, found: {answer.stdout.splitlines()[0]}"
            if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
                pytest.fail(reason)
            pytest.skip(reason)


def differing_when_rebuilt(folder: Path, elsewhere: Path) -> list[str]:
    """The ELF files of ``folder``/built that a build in another folder does not make byte by byte the same.

    Raises RuntimeError with what the build said where it fails.
    """
    refuse_other_versions()
    copy = elsewhere / "another-folder"
    shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("built", "build", "work"))
    made = subprocess.run(
        [required_tool("make"), "-C", str(copy), "-j2"], capture_output=True, text=True, check=False
    )
    if made.returncode:
        raise RuntimeError(made.stdout + made.stderr)
    rebuilt, committed = elf_files(copy / "built"), elf_files(folder / "built")
    names = sorted(rebuilt.keys() | committed.keys())
    return [name for name in names if rebuilt.get(name) != committed.get(name)]
