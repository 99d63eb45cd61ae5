"""Small builds for drafts, compiled and linked as teams do: by GCC and GNU ld, and by clang and lld."""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from tools import required_tool

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource

ARCHITECTURES = ("armv6-m", "armv7e-m", "armv8-m.main")
COMPILERS = ("gcc", "clang")
FIRST, SECOND, RAM, SECOND_RAM, SHARED = 0x0800_0000, 0x0804_0000, 0x2000_0000, 0x2000_8000, 0x2001_0000

SOURCE = r"""
#include <stdint.h>
struct link { uint32_t head, tail; uint16_t depth; uint8_t bytes[50]; };
typedef struct { uint8_t kind; uint32_t value; } event_t;
enum phase { PHASE_IDLE, PHASE_READY = 7 };
%(objects)s volatile struct link mailbox[2];
%(objects)s volatile event_t events[4];
%(objects)s volatile enum phase phase;
%(objects)s volatile uint32_t ticks;
extern uint32_t _stack_top;
uint32_t counter, started = 7;
%(more)s
#ifndef START
#define START
#endif
void idle(void) { for (;;) { } }
void reset(void) { START
  counter += started; mailbox[0].head = counter; events[1].value = 3; ticks++; phase = 7; idle(); }
__attribute__((section(".vectors"), used)) const void *const vectors[24] = {
  &_stack_top, reset, idle, idle, [11] = idle, [14] = idle, idle, idle, idle, idle, idle, idle, idle, idle, idle
};
"""

SCRIPT = """
ENTRY(reset)
MEMORY
{
  FLASH (rx) : ORIGIN = %(flash)#x, LENGTH = %(flash_size)#x
  RAM (rwx) : ORIGIN = %(ram)#x, LENGTH = %(ram_size)#x
  SHARED (rw) : ORIGIN = %(shared)#x, LENGTH = 0x400
  NOTES (r) : ORIGIN = 0x08060000, LENGTH = 0x100
}
SECTIONS
{
  %(before)s
  .text : { KEEP(*(.vectors)) *(.text*) *(.rodata*) . = ALIGN(8); } > FLASH
  .data : { *(.data*) . = ALIGN(8); } > %(data)s
  .bss %(bss)s : { *(.bss*) *(COMMON) . = ALIGN(8); } > RAM
  %(shared_section)s
  %(after)s
  _stack_top = ORIGIN(RAM) + LENGTH(RAM);
  /DISCARD/ : { *(.ARM.exidx*) *(.comment) }
}
"""
NOTE = ".note.gnu.build-id : { KEEP(*(.note.gnu.build-id)) } > FLASH"
DEFAULTS: dict[str, object] = {
    "flash_size": 0x4_0000,
    "ram_size": 0x4000,
    "before": "",
    "after": NOTE,
    "data": "RAM AT> FLASH",
    "bss": "(NOLOAD)",
    "shared": SHARED,
    "objects": '__attribute__((section(".shared")))',
    "shared_section": ".shared (NOLOAD) : { *(.shared*) } > SHARED",
}
BOOT = "const volatile uint32_t second_vectors __attribute__((used)) = %#xu;"
EMBEDDING = r"""
__asm__(".section .rodata.second,\"a\"\n.balign 16\n.global second_image\nsecond_image: .incbin \"second.bin\"\n"
        ".previous");
extern const uint8_t second_image[];
const uint8_t *const volatile second_start __attribute__((used)) = second_image;
"""


@cache
def compiled(
    compiler: str, march: str, more: str, second: bytes = b"", **script: object
) -> tuple[bytes, str]:
    """The ELF file and its link map; ``second`` is what an .incbin of second.bin takes in."""
    with TemporaryDirectory(prefix="gemel-draft-") as work:
        folder = Path(work)
        (folder / "a.c").write_text(SOURCE % {**DEFAULTS, **script, "more": more})
        (folder / "a.ld").write_text(SCRIPT % {**DEFAULTS, **script})
        (folder / "second.bin").write_bytes(second)
        options = [
            f"-march={march}",
            "-mthumb",
            "-Os",
            "-g",
            "-ffreestanding",
            f"-ffile-prefix-map={work}=.",
            "-c",
            "a.c",
        ]
        link = ["-n", "--build-id=sha1", "-Map=a.map", "-T", "a.ld", "a.o", "-o", "a.elf"]
        if compiler == "gcc":
            commands = [
                [required_tool("arm-none-eabi-gcc"), *options],
                [required_tool("arm-none-eabi-ld"), *link],
            ]
        else:
            commands = [
                [required_tool("clang"), "--target=arm-none-eabi", *options],
                [required_tool("ld.lld"), *link],
            ]
        for command in commands:
            subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=120)
        return (folder / "a.elf").read_bytes(), (folder / "a.map").read_text()


def build(name: str, data: bytes) -> Build:
    """The build in an ELF file."""
    return read_build(BytesSource(data, f"{name}.elf"), name=name, file=f"{name}.elf")


def first(
    compiler: str, march: str, more: str = BOOT % SECOND, second: bytes = b"", **script: object
) -> Build:
    """The primary, with a named constant for the other's vectors."""
    place = {"flash": FIRST, "ram": RAM, "ram_size": 0x8000, **script}
    return build("one", compiled(compiler, march, more, second, **place)[0])


def second(compiler: str, march: str, more: str = "", **script: object) -> Build:
    """The secondary, in flash of its own."""
    place = {"flash": SECOND, "flash_size": 0x2_0000, "ram": SECOND_RAM, **script}
    return build("two", compiled(compiler, march, more, **place)[0])
