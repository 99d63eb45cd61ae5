"""Small real builds, compiled and linked with the cross compiler of the system."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tools import required_tool

SOURCE = """
#include <stdint.h>
#include <stddef.h>

enum state { IDLE, MEASURING, REPORTING };
struct frame { char mark; enum state state; uint16_t count; uint64_t time; };

extern uint32_t stack_top;
struct frame frames[4];
volatile uint32_t pressure = 101325;
const wchar_t unit[] = L"mbar";
volatile float level;

static uint32_t filtered(uint32_t sample) { return (pressure * 7 + sample) / 8; }
__attribute__((noinline)) float metres(float value) { return value * 0.0102f; }

void default_handler(void) { for (;;) { } }
void timer_handler(void) __attribute__((weak, alias("default_handler")));

void reset_handler(void)
{
    for (uint32_t n = 0; n < 4; n++) {
        frames[n].count = (uint16_t)filtered(n);
        frames[n].state = unit[n] ? MEASURING : IDLE;
        level = metres((float)frames[n].count);
    }
    default_handler();
}

__attribute__((section(".vectors"), used))
const void *const vectors[] = { &stack_top, reset_handler, default_handler, timer_handler };
"""

LINKER_SCRIPT = """
ENTRY(reset_handler)
MEMORY { FLASH (rx) : ORIGIN = 0x08000000, LENGTH = 64K   RAM (rwx) : ORIGIN = 0x20000000, LENGTH = 16K }
SECTIONS
{
  .text : { KEEP(*(.vectors)) *(.text*) *(.rodata*) } > FLASH
  .note.gnu.build-id : { KEEP(*(.note.gnu.build-id)) } > FLASH
  .data : { *(.data*) } > RAM %(data_load)s
  .bss (NOLOAD) : { *(.bss*) *(COMMON) } > RAM
  /DISCARD/ : { *(.ARM.exidx*) *(.comment) }
  stack_top = ORIGIN(RAM) + LENGTH(RAM);
}
"""

VARIANTS: dict[str, list[str]] = {
    "armv6-m": ["-march=armv6-m"],
    "armv7-m": ["-march=armv7-m", "-O2"],
    "armv7e-m hard float": ["-march=armv7e-m+fp", "-mfloat-abi=hard"],
    "armv7e-m softfp": ["-march=armv7e-m+fp", "-mfloat-abi=softfp"],
    "armv8-m.base": ["-march=armv8-m.base"],
    "armv8-m.main wide enums": ["-march=armv8-m.main+dsp", "-fno-short-enums", "-fshort-wchar"],
    "armv8.1-m.main vectors": ["-march=armv8.1-m.main+mve.fp", "-mfloat-abi=hard"],
    "stripped": ["-march=armv7-m", "-s"],
    "no build id": ["-march=armv7-m", "-Wl,--build-id=none"],
    "md5 build id": ["-march=armv7-m", "-Wl,--build-id=md5"],
    "large pages": ["-march=armv7-m", "-Wl,-z,max-page-size=65536"],
    "data loaded to RAM": ["-march=armv7-m", "data_load="],
}
"""Compiler options of each variant; ``data_load=`` replaces the load region of ``.data``."""


def compile_build(folder: Path, options: list[str]) -> bytes:
    """The ELF file that the cross compiler makes of ``SOURCE`` with ``options``."""
    compiler = required_tool("arm-none-eabi-gcc")
    loads = [option.partition("=")[2] for option in options if option.startswith("data_load=")]
    (folder / "build.c").write_text(SOURCE)
    (folder / "build.ld").write_text(LINKER_SCRIPT % {"data_load": loads[0] if loads else "AT > FLASH"})
    arguments = ["-mthumb", "-Os", "-g", "-ffreestanding", "-nostartfiles", "-nostdlib"]
    # The libraries of the compiler for soft float; the warning is of enum sizes in them.
    arguments += ["-Wl,--build-id=sha1,--no-warn-rwx-segments,--no-enum-size-warning,--no-wchar-size-warning"]
    arguments += [option for option in options if not option.startswith("data_load=")]
    arguments += ["-T", "build.ld", "build.c", "-lgcc", "-o", "build.elf"]
    subprocess.run([compiler, *arguments], cwd=folder, check=True, capture_output=True, timeout=120)
    return (folder / "build.elf").read_bytes()
