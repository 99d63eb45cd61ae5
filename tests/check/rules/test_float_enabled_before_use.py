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
from gemel.outcomes import Finding

RULE = "float-enabled-before-use"
FP = (('role = "secondary"\n', 'role = "secondary"\nextensions = ["fp"]\n'),)
BREAKS = {
    "enabled later": lambda: of(RULE, "v7", "sampler-float-late", changes=FP),
    "enabled later, by clang": lambda: of(RULE, "v7", "sampler-float-late-clang", changes=FP),
    "never enabled": lambda: of(RULE, "v8", "sampler-float-never", changes=FP),
    "never enabled, in a handler": lambda: of(RULE, "v8", "sampler-float-handler", changes=FP),
    "never enabled, in a task": lambda: of(RULE, "v7", "sampler-float-task-clang", changes=FP),
}
KEEPS = {
    "enabled first": lambda: of(RULE, "v7", "sampler-float-first", changes=FP),
    "in a handler, enabled after it in the code": lambda: of(
        RULE, "v7", "sampler-float-handler-late", changes=FP
    ),
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
    assert len(_findings(LAZY.replace("ASKED", asked), "gcc", family, optimised, tmp_path)) == found


AFTER = """
#include <stdint.h>
#define CPACR (*(volatile uint32_t *)0xE000ED88u)
__attribute__((noinline, used)) void enable(void) { CPACR |= 0xF00000u; }
void reset_handler(void)
{
    ENABLE
    __asm volatile (".fpu fpv4-sp-d16\\n vmov s0, %0" : : "r"(0));
    for (;;) { }
}
__attribute__((section(".vectors"), used)) const void *const vectors[] = {(void *)0x38010000, reset_handler};
"""
ENABLED = {
    "and nothing": ("CPACR |= 0xF00000u;", 1),
    "and a DSB": ('CPACR |= 0xF00000u; __asm volatile ("dsb");', 1),
    "and other work": ("CPACR |= 0xF00000u; *(volatile uint32_t *)0x38008000u = 5;", 1),
    "and a DSB and an ISB": ('CPACR |= 0xF00000u; __asm volatile ("dsb\\n isb");', 0),
    "and an ISB": ('CPACR |= 0xF00000u; __asm volatile ("isb");', 0),
    "in a function": ("enable();", 0),
    "and a call": ('CPACR |= 0xF00000u; __asm volatile ("bl enable" : : : "lr", "r0", "r1", "r2", "r3");', 0),
}


@pytest.mark.parametrize("family", ["v7", "v8"])
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize("enabled", ENABLED)
def test_what_follows_on_the_store(enabled: str, compiler: str, family: str, tmp_path: Path) -> None:
    """A float instruction in the same stretch as the store to CPACR needs an ISB before it."""
    words, count = ENABLED[enabled]
    found = _findings(AFTER.replace("ENABLE", words), compiler, family, "-Os", tmp_path)
    assert ["without an ISB" in each.what for each in found] == [True] * count


LATE = """
#include <stdint.h>
#define CPACR (*(volatile uint32_t *)0xE000ED88u)
extern const void *const vectors[];
uint32_t volatile ticks;
void reset_handler(void)
{
    __asm volatile (".fpu fpv4-sp-d16\\n vmov s0, %0" : : "r"(0));
    CPACR |= 0xF00000u;
    __asm volatile ("dsb\\n isb");
    for (;;) { TABLE ticks++; }
}
__attribute__((section(".vectors"), used)) const void *const vectors[] = {(void *)0x38010000, reset_handler};
"""


@pytest.mark.parametrize("family", ["v7", "v8"])
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize("table", ["", "*(volatile uint32_t *)0xE000ED08u = (uint32_t)vectors;"])
def test_the_core_itself_uses_its_vector_table(
    table: str, compiler: str, family: str, tmp_path: Path
) -> None:
    """Code that asks the core something and uses the address of the vectors, or half of it, guards no handler."""
    (finding,) = _findings(LATE.replace("TABLE", table), compiler, family, "-Os", tmp_path)
    assert "before it enables it" in finding.what


def _findings(source: str, compiler: str, family: str, optimised: str, folder: Path) -> tuple[Finding, ...]:
    """What the rule finds in a sampler of this source."""
    (folder / "lazy.c").write_text(source)
    (folder / "lazy.ld").write_text(SCRIPT)
    options = ["-mthumb", f"-march={ARCHITECTURES[family]}", optimised]
    gcc = required_tool("arm-none-eabi-gcc")
    front = (
        [gcc] if compiler == "gcc" else [required_tool("clang"), "--target=arm-none-eabi", "-ffreestanding"]
    )
    subprocess.run([*front, *options, "-c", "lazy.c", "-o", "lazy.o"], cwd=folder, check=True)
    link = [gcc, *options, "-nostdlib", "-T", "lazy.ld", "lazy.o", "-o", "lazy.elf"]
    subprocess.run(link, cwd=folder, check=True)
    read = layout_of(family, *FP)
    sampler = read_build(
        BytesSource((folder / "lazy.elf").read_bytes(), "lazy.elf"), name="sampler", file="lazy.elf"
    )
    builds = {**builds_of(family, "station"), "sampler": sampler}
    rule = rule_named(RULE)
    assert rule
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    return tuple(findings(check(inspection, TODAY, [rule]).results[0]))
