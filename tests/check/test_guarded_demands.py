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
    core = {"v7m": "armv7-m"}.get(family) or ARCHITECTURES[family]
    code = SOURCE.replace("BEYOND", beyond).replace("ASKED", asked)
    rules = (DEMANDS[family, beyond], "instructions-fit-core")
    counted = _counted(tmp_path, family.removesuffix("m"), core, rules, {"some.c": (code, f"-march={core}")})
    assert counted == [found, found]


def _counted(
    folder: Path, family: str, core: str, rules: tuple[str, ...], sources: dict[str, tuple[str, str]]
) -> list[int]:
    """How many findings each of ``rules`` has of a sampler of sources, each with its options of the compiler."""
    (folder / "some.ld").write_text(SCRIPT)
    gcc = (required_tool("arm-none-eabi-gcc"), "-mthumb", "-Os")
    for name, (text, options) in sources.items():
        (folder / name).write_text(text)
        subprocess.run([*gcc, *options.split(), "-c", name, "-o", f"{name}.o"], cwd=folder, check=True)
    objects = [f"{name}.o" for name in sources]
    linked = ["-nostdlib", "-T", "some.ld", *objects, "-o", "some.elf"]
    subprocess.run([*gcc, f"-march={core}", *linked], cwd=folder, check=True)
    read = layout_of(
        family,
        (
            f'role = "secondary"\narchitecture = "{ARCHITECTURES[family]}"',
            f'role = "secondary"\narchitecture = "{core}"',
        ),
    )
    data = (folder / "some.elf").read_bytes()
    builds = {
        **builds_of(family, "station"),
        "sampler": read_build(BytesSource(data, "some.elf"), name="sampler", file="some.elf"),
    }
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    found = [each for name in rules if (each := rule_named(name))]
    return [len(check(inspection, TODAY, [each]).results[0].findings) for each in found]


SWITCH = ".syntax unified\n.cpu cortex-m4\n.thumb\n.thumb_func\n.global switch_to\nswitch_to:\n  INSTRUCTION\n  bx lr\n"
C_CODE = (
    SOURCE.replace(" __asm volatile", "//")
    .replace("ASKED", "(switch_to(), 1)")
    .replace("void reset", "void switch_to(void);\nvoid reset")
)
BY_DIRECTIVE = {
    "nothing that the core lacks": ("mov r0, r0", "-march=armv7-m -g", 0),
    "an instruction that it lacks": ("smlad r0, r0, r0, r0", "-march=armv7-m -g", 1),
    "compiled for another core": ("mov r0, r0", "-march=armv7e-m -g", 1),
    "no debug information": ("mov r0, r0", "-march=armv7-m", 1),
}


@pytest.mark.parametrize("case", BY_DIRECTIVE)
def test_a_directive_is_no_demand_where_nothing_was_compiled_for_it(case: str, tmp_path: Path) -> None:
    """Kernels name one core in their assembler code for all that they run on: the compiler's options weigh more."""
    instruction, options, found = BY_DIRECTIVE[case]
    sources = {
        "some.c": (C_CODE, options),
        "other.c": ("int other(int x) { return x + 1; }", f"-march=armv6s-m {options.partition(' ')[2]}"),
        "switch.s": (SWITCH.replace("INSTRUCTION", instruction), ""),
    }
    assert _counted(tmp_path, "v7", "armv7-m", ("build-architecture-fits-core",), sources) == [found]
