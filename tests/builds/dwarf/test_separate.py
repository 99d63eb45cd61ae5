"""Debug information in a file of its own next to the stripped one (GDB manual, "Separate Debug Files")."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from builds.dwarf.test_split import COMPILERS, FIRST, built, said, types
from tools import required_tool

from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.workflows.inputs.builds import load_builds


def _separated(file: Path, *options: str) -> Path:
    """Take the debug information of a file into ``station.debug`` next to it, as distributions do."""
    copy, debug = required_tool("arm-none-eabi-objcopy"), file.with_suffix(".debug")
    for words in (
        ["--only-keep-debug", *options, file, debug],
        ["--strip-debug", file],
        [f"--add-gnu-debuglink={debug.name}", file],
    ):
        subprocess.run([copy, *words], cwd=file.parent, check=True, timeout=120)
    return debug


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("compiler", ["GCC, DWARF 5", "clang, DWARF 4"])
def test_a_separate_file_says_what_a_whole_one_says(compiler: str, compressed: bool, tmp_path: Path) -> None:
    """Types, constants and source lines."""
    whole = built(tmp_path / "whole", COMPILERS[compiler], "-g")
    file = built(tmp_path / "separate", COMPILERS[compiler], "-g")
    _separated(file, *["--compress-debug-sections"] * compressed)
    assert said(types(file)) == said(types(whole))
    lines = []
    for each in (file, whole):
        build = load_builds(None, {"station": each})["station"]
        assert build.debug is not None
        assert build.symbols is not None
        lines.append(build.debug.line_at(build.symbols.one("measure").address))
    assert lines[0] == lines[1] == "second.c:1"


def test_a_separate_file_that_is_absent_or_of_another_build_is_not_read(tmp_path: Path) -> None:
    """Its CRC-32 tells; a path that leads out of the folder is not followed."""
    file = built(tmp_path / "one", COMPILERS["GCC, DWARF 5"], "-g")
    debug = _separated(file)
    kept = debug.read_bytes()
    other = built(tmp_path / "two", COMPILERS["GCC, DWARF 5"], "-g", first=FIRST.replace("[4]", "[5]"))
    said_of = "station.debug (.gnu_debuglink), which is not next to it or is another build's"
    for content in (_separated(other).read_bytes(), kept[:-1], b"", None):
        debug.unlink()
        if content is not None:
            debug.write_bytes(content)
        else:
            (tmp_path / "elsewhere.debug").write_bytes(kept)
            debug.symlink_to(tmp_path / "elsewhere.debug")
        with pytest.raises(DebugUnreadable) as caught:
            types(file)
        assert said_of in str(caught.value)
    debug.unlink()
    debug.write_bytes(kept)
    assert types(file).named("struct frame")
