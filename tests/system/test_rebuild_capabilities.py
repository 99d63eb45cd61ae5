"""The committed ELF files of ``testdata/capabilities`` are what the committed sources make."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from capability_builds import BUILT, FOLDER
from system.test_rebuild import elf_files, refuse_other_versions
from tools import required_tool


def test_rebuilding_elsewhere_gives_the_committed_bytes(tmp_path: Path) -> None:
    """A build in another folder gives every committed ELF file byte by byte, and no other."""
    refuse_other_versions()
    copy = tmp_path / "another-folder"
    shutil.copytree(FOLDER, copy, ignore=shutil.ignore_patterns("built", "build"))
    made = subprocess.run(
        [required_tool("make"), "-C", str(copy), "-j2"], capture_output=True, text=True, check=False
    )
    assert made.returncode == 0, made.stdout + made.stderr
    rebuilt, committed = elf_files(copy / "built"), elf_files(BUILT)
    assert rebuilt.keys() == committed.keys()
    assert [name for name in committed if rebuilt[name] != committed[name]] == []
