"""Test data made again from its sources, for tests that hold the committed files to them."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from tools import required_tool

TOOLS = {"arm-none-eabi-gcc": "15:12.2.rel1-1", "arm-none-eabi-as": "2.40"}
"""Programs that make all committed files, with what Debian 12 names their versions."""
OTHER_TOOLS = {"clang": "14.0.6", "ld.lld": "14.0.6", "/usr/bin/rustc": "1.63.0"}
"""The same of what some folders need too."""


def _demanded_version(program: str, wanted: str) -> str:
    """What a program says of its version; skips (or fails, where tools are demanded) if it is another."""
    command = [required_tool(program), "--version"]
    answer = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    if wanted not in answer:
        reason = f"built with {program} {wanted} of Debian 12, found: {answer.splitlines()[0]}"
        if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    return answer


def _digests(folder: Path, pattern: str) -> dict[str, str]:
    """The digest of each file below a folder whose name fits the pattern, by its path there."""
    return {
        file.relative_to(folder).as_posix(): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(folder.rglob(pattern))
        if file.is_file()
    }


def differing_when_rebuilt(
    folder: Path, elsewhere: Path, cache: pytest.Cache, more: dict[str, str] | None = None
) -> list[str]:
    """The ELF files of ``folder``/built that a build in another folder does not make byte by byte the same.

    ``more`` is further programs that it needs.  What the same sources and tools made before is taken from
    pytest's cache.  Raises RuntimeError with what the build said where it fails.
    """
    tools = [_demanded_version(program, wanted) for program, wanted in (TOOLS | (more or {})).items()]
    copy = elsewhere / "another-folder"
    shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("built", "build", "work"))
    key = hashlib.sha256(json.dumps([tools, _digests(copy, "*")]).encode()).hexdigest()
    rebuilt = cache.get(f"rebuilt/{key}", None)
    if rebuilt is None:
        command = [required_tool("make"), "-C", str(copy), "-j2"]
        made = subprocess.run(command, capture_output=True, text=True, check=False)
        if made.returncode:
            raise RuntimeError(made.stdout + made.stderr)
        rebuilt = _digests(copy / "built", "*.elf")
        cache.set(f"rebuilt/{key}", rebuilt)
    committed = _digests(folder / "built", "*.elf")
    names = sorted(rebuilt.keys() | committed.keys())
    return [name for name in names if rebuilt.get(name) != committed.get(name)]
