"""What a directive of the assembler makes a build's attributes demand, where the code tests its core and where not."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from small_device import TODAY
from tools import required_tool
from verdict_builds import ARCHITECTURES, builds_of, layout_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

SOURCE = """
#include <stdint.h>
uint32_t volatile ticks, area[16];
__attribute__((naked, noinline)) static uint32_t most(uint32_t value, volatile uint32_t *to)
{
    __asm volatile (".syntax unified\\n BEYOND\\n bx lr");
}
void reset_handler(void)
{
    for (;;) {
        ticks++;
        if (ASKED) ticks = most(ticks, area);
    }
}
__attribute__((section(".vectors"), used)) const void *const vectors[] = {(void *)0x38010000, reset_handler};
"""
SCRIPT = """
SECTIONS
{
  .text 0x10008000 : { KEEP(*(.vectors)) *(.text*) *(.rodata*) }
  .bss 0x38008000 (NOLOAD) : { *(.bss*) }
}
"""
FEATURES, OTHER = "*(volatile uint32_t *)0xE000ED6C & 0xF0", "*(volatile uint32_t *)0xE000ED0C & 0xF0"
"""ID_ISAR3, which says what instructions the core has, and AIRCR, which does not (Armv7-M ARM, from memory)."""
DEMANDS = {
    ("v6", ".arch armv7-m\\n udiv r0, r0, r0"): "build-architecture-fits-core",
    ("v7m", ".arch armv7e-m\\n smlad r0, r0, r0, r0"): "build-architecture-fits-core",
    ("v8", ".arch_extension dsp\\n smlad r0, r0, r0, r0"): "extension-demands-fit-core",
    ("v7", ".fpu fpv4-sp-d16\\n vstmia r1, {s0-s15}"): "float-demands-fit-core",
}


@pytest.mark.parametrize(
    ("asked", "found"), [(FEATURES, 0), (OTHER, 1), ("ticks", 1), (f"ticks || ({FEATURES})", 1)]
)
@pytest.mark.parametrize(("family", "beyond"), DEMANDS)
def test_only_what_no_test_of_the_core_guards_is_a_demand(
    family: str, beyond: str, asked: str, found: int, tmp_path: Path
) -> None:
    """Attributes go by the file; whether its core can reach what it lacks is in the code."""
    (tmp_path / "some.c").write_text(SOURCE.replace("BEYOND", beyond).replace("ASKED", asked))
    (tmp_path / "some.ld").write_text(SCRIPT)
    core = {"v7m": "armv7-m"}.get(family) or ARCHITECTURES[family]
    options = ["-mthumb", f"-march={core}", "-Os", "-nostdlib", "-T", "some.ld"]
    subprocess.run(
        [required_tool("arm-none-eabi-gcc"), *options, "some.c", "-o", "some.elf"], cwd=tmp_path, check=True
    )
    given, family = family, family.removesuffix("m")
    read = layout_of(
        family,
        (
            f'role = "secondary"\narchitecture = "{ARCHITECTURES[family]}"',
            f'role = "secondary"\narchitecture = "{core}"',
        ),
    )
    data = (tmp_path / "some.elf").read_bytes()
    builds = {
        **builds_of(family, "station"),
        "sampler": read_build(BytesSource(data, "some.elf"), name="sampler", file="some.elf"),
    }
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    for rule, expected in ((DEMANDS[given, beyond], found), ("instructions-fit-core", found)):
        each = rule_named(rule)
        assert each
        assert len(check(inspection, TODAY, [each]).results[0].findings) == expected
