"""The committed faulty builds are what the committed sources make."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from rehearsals import DEVICE
from tools import required_tool

COMPILER = "15:12.2.rel1-1"


def test_rebuilding_elsewhere_gives_the_committed_bytes(tmp_path: Path) -> None:
    """A build in another folder gives every committed ELF file byte by byte, and no other."""
    compiler = required_tool("arm-none-eabi-gcc")
    answer = subprocess.run([compiler, "--version"], capture_output=True, text=True, check=True).stdout
    if COMPILER not in answer:
        reason = f"built with arm-none-eabi-gcc {COMPILER} of Debian 12, found: {answer.splitlines()[0]}"
        if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    copy = tmp_path / "another-folder"
    shutil.copytree(DEVICE, copy, ignore=shutil.ignore_patterns("built"))
    make = required_tool("make")
    made = subprocess.run([make, "-C", str(copy), "-j2"], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stdout + made.stderr
    rebuilt = {file.name: file.read_bytes() for file in (copy / "built").glob("*.elf")}
    committed = {file.name: file.read_bytes() for file in (DEVICE / "built").glob("*.elf")}
    assert rebuilt.keys() == committed.keys()
    assert [name for name in committed if rebuilt[name] != committed[name]] == []
