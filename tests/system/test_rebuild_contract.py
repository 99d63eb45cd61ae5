"""The committed ELF files of ``testdata/contract`` are what the committed sources make."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
from pathlib import Path
from types import ModuleType

from contract_builds import BUILT, FOLDER
from tools import required_tool


def _rebuild() -> ModuleType:
    """The test of the tide gauge, which knows the versions of the tools."""
    spec = importlib.util.spec_from_file_location("rebuild", Path(__file__).with_name("test_rebuild.py"))
    if spec is None or spec.loader is None:
        raise ImportError("test_rebuild.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_rebuilding_elsewhere_gives_the_committed_bytes(tmp_path: Path) -> None:
    """A build in another folder gives every committed ELF file byte by byte, and no other."""
    rebuild = _rebuild()
    rebuild.refuse_other_versions()
    required_tool("arm-none-eabi-g++")
    copy = tmp_path / "another-folder"
    shutil.copytree(FOLDER, copy, ignore=shutil.ignore_patterns("built", "work"))
    made = subprocess.run(
        [required_tool("make"), "-C", str(copy), "-j2"], capture_output=True, text=True, check=False
    )
    assert made.returncode == 0, made.stdout + made.stderr
    rebuilt, committed = rebuild.elf_files(copy / "built"), rebuild.elf_files(BUILT)
    assert rebuilt.keys() == committed.keys()
    assert [name for name in committed if rebuilt[name] != committed[name]] == []
