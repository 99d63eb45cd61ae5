"""The committed ELF files of ``testdata`` are what the committed sources make."""

from __future__ import annotations

from pathlib import Path

import pytest
from rebuilding import OTHER_TOOLS, differing_when_rebuilt
from tools import required_tool

TESTDATA = Path(__file__).resolve().parents[2] / "testdata"
FOLDERS = {
    "capabilities": (),
    "contract": ("arm-none-eabi-g++",),
    "kernel": ("arm-none-eabi-g++", "clang"),
    "ram-and-start": (),
    "rehearsal": (),
    "tide-gauge": (),
    "verdict": ("arm-none-eabi-g++", *OTHER_TOOLS),
}
"""What each folder needs beside the C compiler."""


@pytest.mark.parametrize("folder", FOLDERS)
def test_rebuilding_elsewhere_gives_the_committed_bytes(
    folder: str, tmp_path: Path, pytestconfig: pytest.Config
) -> None:
    """A build in another folder gives every committed ELF file byte by byte, and no other."""
    for program in FOLDERS[folder]:
        required_tool(program)
    more = {program: OTHER_TOOLS[program] for program in FOLDERS[folder] if program in OTHER_TOOLS}
    assert differing_when_rebuilt(TESTDATA / folder, tmp_path, pytestconfig.cache, more) == []


def test_every_folder_of_builds_is_rebuilt() -> None:
    """No folder with a Makefile is left out."""
    assert {makefile.parent.name for makefile in TESTDATA.glob("*/Makefile")} == set(FOLDERS)
