"""C of an exported reader, compiled for this machine with warnings as errors and under the sanitizers."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tools import required_tool

WARNINGS = ["-pedantic", "-Wall", "-Wextra", "-Werror", "-Wconversion", "-Wshadow", "-Wcast-align"]
SANITIZERS = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-O0"]
"""Unoptimised: compiling with sanitizers takes four times as long with -O1, running a third less."""


def compile_(folder: Path, compiler: str, *arguments: str) -> None:
    """Run a compiler in ``folder``; the test fails with what it says where it says anything."""
    done = subprocess.run(
        [required_tool(compiler), *arguments], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


HOSTS = [
    ("gcc", ["-std=c99"]),
    ("clang", ["-std=c99"]),
    ("gcc", ["-std=c11"]),
    ("g++", ["-x", "c++", "-std=c++11"]),
    ("clang++", ["-x", "c++", "-std=c++17"]),
]
