"""A sampler for the layout of ``verdict_builds``, compiled and linked from a source and a script of a test."""

from __future__ import annotations

from built import built
from tools import required_tool
from verdict_builds import ARCHITECTURES

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource


def compiled_sampler(
    source: str,
    script: str,
    family: str,
    compiler: str = "gcc",
    optimised: str = "-Os",
    left_out: str = "",
) -> Build:
    """The build that GCC's linker makes of what GCC or clang compiled, less a section."""
    options = ["-mthumb", f"-march={ARCHITECTURES[family]}", optimised, "-ffreestanding"]
    gcc = required_tool("arm-none-eabi-gcc")
    front = [gcc] if compiler == "gcc" else [required_tool("clang"), "--target=arm-none-eabi"]
    commands = [[*front, *options, "-c", "core.c", "-o", "core.o"]]
    link = [gcc, *options, "-nostartfiles", "--specs=nano.specs", "-T", "core.ld", "core.o", "-o", "core.elf"]
    commands.append(link)
    if left_out:
        commands.append([required_tool("arm-none-eabi-objcopy"), f"--remove-section={left_out}", "core.elf"])
    data = built({"core.c": source, "core.ld": script}, *commands, made="core.elf")
    return read_build(BytesSource(data, "core.elf"), name="sampler", file="core.elf")
