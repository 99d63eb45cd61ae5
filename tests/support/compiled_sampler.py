"""A sampler for the layout of ``verdict_builds``, compiled and linked from a source and a script of a test."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tools import required_tool
from verdict_builds import ARCHITECTURES

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource


def compiled_sampler(
    folder: Path,
    source: str,
    script: str,
    family: str,
    compiler: str = "gcc",
    optimised: str = "-Os",
    left_out: str = "",
) -> Build:
    """The build that GCC's linker makes of what GCC or clang compiled, less a section."""
    (folder / "core.c").write_text(source)
    (folder / "core.ld").write_text(script)
    options = ["-mthumb", f"-march={ARCHITECTURES[family]}", optimised, "-ffreestanding"]
    gcc = required_tool("arm-none-eabi-gcc")
    front = [gcc] if compiler == "gcc" else [required_tool("clang"), "--target=arm-none-eabi"]
    subprocess.run([*front, *options, "-c", "core.c", "-o", "core.o"], cwd=folder, check=True)
    link = [gcc, *options, "-nostartfiles", "--specs=nano.specs", "-T", "core.ld", "core.o", "-o", "core.elf"]
    subprocess.run(link, cwd=folder, check=True)
    if left_out:
        copy = required_tool("arm-none-eabi-objcopy")
        subprocess.run([copy, f"--remove-section={left_out}", "core.elf"], cwd=folder, check=True)
    return read_build(
        BytesSource((folder / "core.elf").read_bytes(), "core.elf"), name="sampler", file="core.elf"
    )
