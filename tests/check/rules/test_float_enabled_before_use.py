"""Tests of the rule ``float-enabled-before-use``."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from small_device import TODAY, findings
from tools import required_tool
from verdict_builds import ARCHITECTURES, builds_of, layout_of, of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

RULE = "float-enabled-before-use"
FP = (('role = "secondary"\n', 'role = "secondary"\nextensions = ["fp"]\n'),)
BREAKS = {
    "enabled later": lambda: of(RULE, "v7", "sampler-float-late", changes=FP),
    "enabled later, by clang": lambda: of(RULE, "v7", "sampler-float-late-clang", changes=FP),
    "never enabled": lambda: of(RULE, "v8", "sampler-float-never", changes=FP),
}
KEEPS = {
    "enabled first": lambda: of(RULE, "v7", "sampler-float-first", changes=FP),
    "no floating point": lambda: of(RULE, "v8", changes=FP),
}


def test_the_function_is_named() -> None:
    """The finding names the function of the first floating-point instruction."""
    (finding,) = findings(BREAKS["never enabled"]())
    assert "(measure)" in finding.where


def test_a_store_that_enables_something_else_is_named() -> None:
    """A store to CPACR is not called unknown: what it leaves out is shown."""
    (finding,) = findings(of(RULE, "v7", "sampler-float-other-bits", changes=FP))
    assert finding.found.endswith("does not give access to both")


def test_without_its_elf_file_a_build_is_not_checked() -> None:
    """The image alone does not show whether code comes before other code."""
    (missing,) = of(RULE, "v7", "sampler-float-late", changes=FP, given=("station",)).not_checked
    assert missing.where == "build sampler"
    assert "sampler=FILE" in missing.reason


LAZY = """
#include <stdint.h>
static volatile uint32_t area[16];
uint32_t volatile ticks;
__attribute__((naked, noinline)) static void save(volatile uint32_t *to)
{
    __asm volatile (".fpu fpv4-sp-d16\\n vstmia r0, {s16-s31}\\n bx lr");
}
void reset_handler(void)
{
    uint32_t state = 0;
    __asm volatile ("mrs %0, control" : "=r"(state));
    for (;;) {
        ticks++;
        if (ASKED) save(area);
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


@pytest.mark.parametrize("family", ["v7", "v8"])
@pytest.mark.parametrize("optimised", ["-O0", "-O1", "-Os"])
@pytest.mark.parametrize(("asked", "found"), [("state & 4u", 0), ("ticks & 4u", 1)])
def test_what_a_test_of_the_core_guards(
    asked: str, found: int, optimised: str, family: str, tmp_path: Path
) -> None:
    """What is saved only where CONTROL says that floating point is in use never comes before the unit is on."""
    (tmp_path / "lazy.c").write_text(LAZY.replace("ASKED", asked))
    (tmp_path / "lazy.ld").write_text(SCRIPT)
    options = ["-mthumb", f"-march={ARCHITECTURES[family]}", optimised, "-nostdlib", "-T", "lazy.ld"]
    compiler = required_tool("arm-none-eabi-gcc")
    subprocess.run([compiler, *options, "lazy.c", "-o", "lazy.elf"], cwd=tmp_path, check=True)
    read = layout_of(family, *FP)
    sampler = read_build(
        BytesSource((tmp_path / "lazy.elf").read_bytes(), "lazy.elf"), name="sampler", file="lazy.elf"
    )
    builds = {**builds_of(family, "station"), "sampler": sampler}
    rule = rule_named(RULE)
    assert rule
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    assert len(check(inspection, TODAY, [rule]).results[0].findings) == found
