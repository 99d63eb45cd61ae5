"""Two cores' builds compiled here from one source, by GCC, or by clang and lld, for a small device."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from small_device import TODAY
from tools import required_tool

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.runner import RuleResult, check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout

ARCHITECTURES = {"v6": "armv6-m", "v7": "armv7e-m", "v8": "armv8-m.main"}
PLACES = {"weir": ("0x00800000", "0x20000000"), "gate": ("0x00808000", "0x20002000")}
"""Where the flash and the RAM of each core are."""

LAYOUT = """
format = 1
product = "lock"
[memory.flash]
kind = "flash"
start = 0x0080_0000
size = "256 KiB"
erase_block = "4 KiB"
[memory.ram]
kind = "ram"
start = 0x2000_0000
size = "16 KiB"
[memory.device]
kind = "device"
start = 0x4800_0000
size = "4 KiB"
[core.weir]
role = "primary"
architecture = "ARCHITECTURE"
interrupts = 4
ram = ["weir-ram"]
[core.gate]
role = "secondary"
architecture = "ARCHITECTURE"
interrupts = 4
ram = ["gate-ram"]
[core.gate.release]
vector_register = 0x4800_0020
control_register = 0x4800_0024
release_mask = 0x1
release_value = 0x1
[area]
weir-code = { memory = "flash", offset = 0, size = "32 KiB", purpose = "code" }
gate-code = { memory = "flash", offset = "32 KiB", size = "32 KiB", purpose = "code" }
weir-ram = { memory = "ram", offset = 0, size = "8 KiB", purpose = "data" }
gate-ram = { memory = "ram", offset = "8 KiB", size = "8 KiB", purpose = "data" }
[build.weir]
core = "weir"
stored_in = "weir-code"
[build.gate]
core = "gate"
stored_in = "gate-code"
"""
SCRIPT = """
MEMORY { code (rx) : ORIGIN = FLASH, LENGTH = 32K
  ram (rwx) : ORIGIN = RAM, LENGTH = 7K
  link (rw) : ORIGIN = 0x20003C00, LENGTH = 1K
  kept (rw) : ORIGIN = 0x30000000, LENGTH = 1K }
stack_top = RAM + 0x1800;
ENTRY(reset)
SECTIONS {
  .vectors : { KEEP(*(.vectors)) } > code
  .text : { *(.text .text.*) *(.rodata .rodata.*) . = ALIGN(4); } > code
  .ARM.exidx : { *(.ARM.exidx*) } > code
  .data : { data_start = .; *(.data .data.*) . = ALIGN(4); data_end = .; } > ram AT > code
  data_load = LOADADDR(.data);
  .bss (NOLOAD) : { bss_start = .; *(.bss .bss.* COMMON) . = ALIGN(4); bss_end = .; } > ram
  /DISCARD/ : { *(.comment) *(.ARM.attributes) }
}
"""
CODE = """
#include <stdint.h>
#define IO(at) (*(volatile uint32_t *)(0x48000000u + (at)))
extern uint32_t stack_top[], data_load[], data_start[], data_end[], bss_start[], bss_end[];
volatile uint32_t turns, level = 7, mark;
/*BEFORE*/
int main(void) { /*MAIN*/ for (;;) turns += level; }
__attribute__((noreturn, used)) void reset(void)
{
    const volatile uint32_t *from = data_load;
    for (volatile uint32_t *at = data_start; at < data_end;) *at++ = *from++;
    for (volatile uint32_t *at = bss_start; at < bss_end;) *at++ = 0;
    main();
    for (;;) { }
}
__attribute__((used, noreturn)) static void stop(void) { for (;;) { } }
__attribute__((used, section(".vectors"))) const void *const vectors[20] = {
    stack_top, reset, stop, stop, [11] = stop, [14 ... 19] = stop };
"""
RELEASE = "IO(0x20) = 0x00808000u; IO(0x24) |= 1u;"


def layout_for(family: str, *changes: tuple[str, str]) -> ReadLayout:
    """The layout for an architecture, with parts of it replaced."""
    text = LAYOUT.replace("ARCHITECTURE", ARCHITECTURES[family])
    for old, new in changes:
        if old not in text:
            raise KeyError(f"not in the layout: {old!r}")
        text = text.replace(old, new)
    return read_layout(text.encode(), "lock.toml")


@cache
def compiled(
    core: str,
    compiler: str,
    family: str,
    level: str,
    edits: tuple[tuple[str, str], ...] = (),
    after: str = "",
) -> bytes:
    """The ELF file of a core; ``edits`` of source and script, ``after`` the words of a command for the file."""
    gcc, code, script = required_tool("arm-none-eabi-gcc"), CODE, SCRIPT
    for old, new in edits:
        if old not in code + script:
            raise KeyError(f"not in source or script: {old!r}")
        code, script = code.replace(old, new), script.replace(old, new)
    flash, ram = PLACES[core]
    options = [f"-march={ARCHITECTURES[family]}", "-mthumb", "-mfloat-abi=soft", *level.split()]
    flags = [*options, "-ffreestanding", "-ffunction-sections", "-fdata-sections"]
    with TemporaryDirectory(prefix="gemel-pair-") as work:
        folder = Path(work)
        (folder / "core.c").write_text(code)
        (folder / "core.ld").write_text(script.replace("FLASH", flash).replace("RAM", ram))

        def run(*command: str) -> str:
            done = subprocess.run(
                command, cwd=folder, check=True, capture_output=True, text=True, timeout=120
            )
            return done.stdout.strip()

        if compiler == "gcc":
            run(
                gcc,
                *flags,
                "-nostdlib",
                "-T",
                "core.ld",
                "-Wl,--gc-sections,-n",
                "core.c",
                "-lgcc",
                "-o",
                "core.elf",
            )
        else:
            run(required_tool("clang"), "--target=arm-none-eabi", *flags, "-c", "core.c", "-o", "core.o")
            library = run(gcc, *options[:3], "-print-libgcc-file-name")
            run(
                required_tool("ld.lld"),
                "-T",
                "core.ld",
                "--gc-sections",
                "-n",
                "core.o",
                library,
                "-o",
                "core.elf",
            )
        if after:
            run(required_tool(after.split()[0]), *after.split()[1:], "core.elf")
        return (folder / "core.elf").read_bytes()


def pair(**files: bytes) -> dict[str, Build]:
    """The builds of ELF files by the names of their cores."""
    return {
        name: read_build(BytesSource(data, f"{name}.elf"), name=name, file=f"{name}.elf")
        for name, data in files.items()
    }


def said_by(
    rule: str, read: ReadLayout, builds: Mapping[str, Build], *, with_builds: bool = True
) -> RuleResult:
    """What a rule says of the image that the builds are joined to, with them or without."""
    found = rule_named(rule)
    if found is None:
        raise KeyError(f"no rule {rule}")
    image = join(read, builds).image
    return check(
        Inspection(read, image, builds if with_builds else {}, disassemble=True), TODAY, [found]
    ).results[0]
