"""lld maps the headers of the file where the page of the first section has room; nobody loads them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from tools import required_tool

from gemel.workflows.inputs.builds import load_builds

SOURCE = """
__attribute__((section(".vectors"), used)) const unsigned vectors[2] = { 0x20002000u, 0x10008009u };
void start(void) { for (;;) { } }
"""
SCRIPT = """
MEMORY { code (rx) : ORIGIN = 0x10008000, LENGTH = 0x8000 }
SECTIONS {
    .vectors : { KEEP(*(.vectors)) } > code
    .text : { *(.text .text.*) } > code
    /DISCARD/ : { *(.ARM.exidx*) }
}
"""


@pytest.mark.parametrize("stripped", [False, True])
def test_a_segment_of_headers_alone_is_left_out(stripped: bool, tmp_path: Path) -> None:
    """The build begins with its vectors, a remark says why; without section headers the segment stays."""
    (tmp_path / "core.c").write_text(SOURCE)
    (tmp_path / "core.ld").write_text(SCRIPT)
    target = ("--target=arm-none-eabi", "-march=armv7-m", "-mthumb", "-ffreestanding", "-fno-unwind-tables")
    for command in (
        [required_tool("clang"), *target, "-c", "core.c", "-o", "core.o"],
        [required_tool("ld.lld"), "-estart", "-T", "core.ld", "core.o", "-o", "core.elf"],
    ):
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, timeout=120)
    file = tmp_path / "core.elf"
    if stripped:
        data = bytearray(file.read_bytes())
        data[32:36] = bytes(4)  # e_shoff
        data[46:52] = bytes(6)  # e_shentsize, e_shnum, e_shstrndx
        file.write_bytes(data)
    build = load_builds(None, {"station": file})["station"]
    (remark,) = [each for each in build.remarks if "header" in each.what]
    assert remark.what.endswith("is left out") is not stripped
    assert (build.stored[0].load_address == 0x1000_8000) is not stripped
