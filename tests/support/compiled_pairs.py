"""Two cores' builds compiled from one source, by GCC, or by clang and lld, for the device of ``verdict_builds``."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from functools import cache

from built import built
from small_device import TODAY
from tools import required_tool
from verdict_builds import ARCHITECTURES, LAYOUT, WITH_LOADER, layout_of

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.runner import RuleResult, check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout

PLACES = {"station": ("0x10000000", "0x20000000"), "sampler": ("0x10008000", "0x20002000")}
"""Where the flash and the RAM of each core are."""

WITHOUT_CONTRACT = (LAYOUT[LAYOUT.index("[contract.link]") :], "")
LAYOUT_WITH_LOADER = (
    WITH_LOADER[0],
    (WITHOUT_CONTRACT[0], '[build.app]\ncore = "station"\nstored_in = "app-code"\n'),
)
"""The build ``station`` as a boot loader in front of the build ``app``, without a contract."""

RUNS_IN_RAM = (
    (
        "link = {",
        'sampler-run = { memory = "ram", offset = "20 KiB", size = "4 KiB", purpose = "code" }\nlink = {',
    ),
    ('stored_in = "sampler-code"', 'stored_in = "sampler-code"\nruns_in = "sampler-run"'),
)
FOR_RAM = (("code (rx) : ORIGIN = FLASH, LENGTH = 32K", "code (rx) : ORIGIN = 0x20005000, LENGTH = 4K"),)
"""The sampler in RAM: its layout, and the script that links it for there."""

SCRIPT = """
MEMORY { code (rx) : ORIGIN = FLASH, LENGTH = 32K
  ram (rwx) : ORIGIN = RAM, LENGTH = 7K
  link (rw) : ORIGIN = 0x20004000, LENGTH = 1K
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
#define IO(at) (*(volatile uint32_t *)(0x40021000u + (at)))
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
__attribute__((used, section(".vectors"))) const void *const vectors[24] = {
    stack_top, reset, stop, stop, [11] = stop, [14 ... 23] = stop };
"""
RELEASE = "IO(0x114) = 0x10008000u; IO(0x118) &= ~2u;"


def layout_for(family: str, *changes: tuple[str, str]) -> ReadLayout:
    """The layout of ``verdict_builds`` for an architecture, without its contract, with parts of it replaced."""
    return layout_of(family, WITHOUT_CONTRACT, *changes)


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
    if after:
        made = compiled(core, compiler, family, level, edits)
        command = [required_tool(after.split()[0]), *after.split()[1:], "core.elf"]
        return built({"core.elf": made}, command, made="core.elf")
    gcc, code, script = required_tool("arm-none-eabi-gcc"), CODE, SCRIPT
    for old, new in edits:
        if old not in code + script:
            raise KeyError(f"not in source or script: {old!r}")
        code, script = code.replace(old, new), script.replace(old, new)
    flash, ram = PLACES[core]
    options = (f"-march={ARCHITECTURES[family]}", "-mthumb", "-mfloat-abi=soft", *level.split())
    flags = (*options, "-ffreestanding", "-ffunction-sections", "-fdata-sections")
    files = {"core.c": code, "core.ld": script.replace("FLASH", flash).replace("RAM", ram)}
    linked = ("-T", "core.ld", "-o", "core.elf")
    if compiler == "gcc":
        pages = "" if "max-page-size" in level else ",-n"
        libraries = ("-nostdlib", f"-Wl,--gc-sections{pages}", "core.c", "-lgcc")
        return built(files, [gcc, *flags, *linked, *libraries], made="core.elf")
    clang = (required_tool("clang"), "--target=arm-none-eabi", *flags, "-c", "core.c", "-o", "core.o")
    library = _library(gcc, *options[:3])
    linker = [required_tool("ld.lld"), *linked, "--gc-sections", "-n", "core.o", library]
    return built(files, clang, linker, made="core.elf")


@cache
def _library(*command: str) -> str:
    """The path of the compiler's own library for some options."""
    words = [*command, "-print-libgcc-file-name"]
    return subprocess.run(words, check=True, capture_output=True, text=True, timeout=120).stdout.strip()


def pair(**files: bytes) -> dict[str, Build]:
    """The builds of ELF, HEX and S-record files and raw binaries, by the names of their cores."""
    kinds = {b"\x7fEL": "elf", b":": "hex", b"S0": "srec"}
    builds = {}
    for name, data in files.items():
        kind = next((each for start, each in kinds.items() if data.startswith(start)), "bin")
        start = int(PLACES[name][0], 16) if kind == "bin" else None
        file = f"{name}.{kind}"
        builds[name] = read_build(BytesSource(data, file), name=name, file=file, raw_start=start)
    return builds


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
