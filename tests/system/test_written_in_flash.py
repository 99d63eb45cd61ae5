"""What start-up code stores to flash, or reads behind an image, compiled here: settings are no variables."""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from small_device import SAMPLER, apply, build, builds, findings
from tools import required_tool

CODE = """
#include <stdint.h>
extern uint32_t stack_top[], image_end[];
__attribute__((section(".factory"))) volatile uint32_t settings[4] = { 1, 2, 3, 4 };
__attribute__((used, section(".user"))) volatile uint32_t of_user[2] = { 5, 6 };
__attribute__((used, section(".text.reset"))) void reset(void)
{
    if (READ) for (;;) __asm__ volatile("" : : "r"(*(volatile uint32_t *)image_end));
    *(volatile uint32_t *)0x50000010 = 1;
    settings[1] = 5;
    while (*(volatile uint32_t *)0x50000014) { }
    for (;;) { }
}
__attribute__((used, section(".vectors"))) const void *const vectors[32] = {
    stack_top, reset, reset, reset, reset, reset, reset, reset, [11] = reset, [12] = reset, [14 ... 31] = reset };
__attribute__((used, section(".rodata"))) static const uint32_t last[6] = { 1, 2, 3, 4, 5, 6 };
"""
SCRIPT = """
stack_top = 0x30002400;
SECTIONS {{
  .text {start} : {{ KEEP(*(.vectors)) *(.text*) KEEP(*(.rodata*)) }}
  image_end = .;
  .factory {factory} : {{ KEEP(*(.factory)) }}
  .user : {{ KEEP(*(.user)) }}
  /DISCARD/ : {{ *(.comment) *(.ARM.attributes) }}
}}
"""


@cache
def _sampler(factory: str, *, read: bool) -> bytes:
    """The ELF file of a sampler with settings of two kinds in flash, from where ``factory`` says."""
    gcc = required_tool("arm-none-eabi-gcc")
    with TemporaryDirectory(prefix="gemel-written-") as work:
        folder = Path(work)
        (folder / "code.c").write_text(CODE)
        (folder / "link.ld").write_text(SCRIPT.format(start=SAMPLER, factory=factory))
        options = (
            "-march=armv8-m.main -mfloat-abi=soft -mthumb -Os -ffreestanding -nostdlib -T link.ld -Wl,-n"
        )
        command = [gcc, *options.split(), f"-DREAD={int(read)}", "code.c", "-o", "code.elf"]
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
        return (folder / "code.elf").read_bytes()


@pytest.mark.parametrize(("factory", "count"), [("ALIGN(1024)", 0), ("ALIGN(4)", 1)])
def test_what_is_written_in_flash_is_settings_in_erase_blocks_without_code(factory: str, count: int) -> None:
    """Next to code, in one erase block with it, it is variables: erasing them would take the code (common practice)."""
    sampler = build("sampler", _sampler(factory, read=False))
    result = apply("initialised-data-in-ram", handed={**builds(), "sampler": sampler})
    assert [".factory" in each.where for each in findings(result)] == [True] * count


def test_a_word_read_at_the_label_of_the_end_was_not_left_out() -> None:
    """What is behind an image, such as a log or a checksum that another tool writes, may be erased."""
    sampler = build("sampler", _sampler("ALIGN(1024)", read=True))
    result = apply("addressed-constants-stored", handed={**builds(), "sampler": sampler})
    assert not findings(result)
