"""Builds that enable the tick interrupt, with a handler for it and without, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

ENABLED = (
    "*(volatile uint32_t *)0xE000E014u = 0xFFFFu; *(volatile uint32_t *)0xE000E018u = 0; "
    "*(volatile uint32_t *)0xE000E010u = 7u;"
)
IN_STEPS = "".join(f"*(volatile uint32_t *)0xE000E010u |= {bit}u; " for bit in (4, 2, 1))
SETUP = (
    "struct timer { volatile uint32_t control, reload, value; }; __attribute__((noinline)) int setup(uint32_t ticks) "
    "{ struct timer *timer = (struct timer *)0xE000E010u; if (ticks > 0xFFFFFFu) return 1; "
    "timer->reload = ticks - 1u; timer->value = 0; timer->control = 7u; return 0; }"
)
TICK = "__attribute__((used)) static void tick(void) { turns++; }"
ALL = (
    "__attribute__((used)) static void tick(void) "
    '{ uint32_t which; __asm volatile("mrs %0, ipsr" : "=r"(which)); turns += which; }'
)
IN_RAM = (
    "for (int at = 0; at < 24; at++) words[at] = ((const volatile uint32_t *)0x10000000u)[at]; "
    "words[15] = (uint32_t)tick; *(volatile uint32_t *)0xE000ED08u = (uint32_t)words; "
)
WORDS = f"{TICK} static volatile uint32_t words[24] __attribute__((aligned(128)));"
VECTORS = "stack_top, reset, stop, stop, [11] = stop, [14 ... 23] = stop"
ZERO, OWN = (
    "stack_top, reset, stop, stop, [11] = stop, [14] = stop, [16 ... 23] = stop",
    "stack_top, reset, stop, stop, [11] = stop, [14] = stop, [15] = tick, [16 ... 23] = stop",
)
EVERY = "stack_top, reset, tick, tick, [11] = tick, [14 ... 23] = tick"
NEVER = "__attribute__((used)) static void start(void) { %s }"
LABELS = (
    f"void begin(void); __attribute__((used, noinline)) void enable(void) {{ {ENABLED} }} "
    '__asm(".syntax unified\\n.text\\n.thumb_func\\n.global begin\\nbegin: push {r4, lr}\\n movs r4, #2\\n"'
    '"first_loop: subs r4, #1\\n bne first_loop\\nlast_step: bl enable\\n pop {r4, pc}\\n");'
)
"""Assembler code with labels in it that are symbols, of which only the first is called."""

FAULTS = {
    "no handler": ("", ENABLED, ZERO),
    "an endless loop": ("", ENABLED, VECTORS),
    "an endless loop, enabled in steps": ("", IN_STEPS, VECTORS),
    "an endless loop, enabled by a function": (SETUP, "setup(1000u);", VECTORS),
    "an endless loop, enabled after labels": (LABELS, "begin();", VECTORS),
}
SOUND = {
    "a handler": (TICK, ENABLED, OWN),
    "one handler for all": (ALL, ENABLED, EVERY),
    "a timer that is asked": ("", ENABLED.replace("7u", "5u"), ZERO),
    "a timer without its interrupt, in steps": ("", IN_STEPS.replace("|= 2u", "|= 4u"), ZERO),
    "a table in RAM": (WORDS, IN_RAM + ENABLED, ZERO),
    "interrupts that are never taken": ("", f'__asm volatile("cpsid i"); {ENABLED}', VECTORS),
    "a function that nothing calls": (NEVER % ENABLED, "", ZERO),
    "labels that nothing leads to": (LABELS, "", ZERO),
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O0"), ("clang", "v8", "-O2"), ("clang", "v7", "-O0"))


def _said(case: tuple[str, str, str], build: tuple[str, str, str]) -> list[str]:
    before, main, vectors = case
    edits = (("/*BEFORE*/", before), ("/*MAIN*/", RELEASE + main), (VECTORS, vectors))
    builds = pair(station=compiled("station", *build, edits), sampler=compiled("sampler", *build))
    found = findings(said_by("required-handlers-present", layout_for(build[1]), builds))
    return [each.what for each in found]


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("case", FAULTS)
def test_ticks_that_nothing_counts(case: str, build: tuple[str, str, str]) -> None:
    """The first tick faults, or is the last."""
    assert _said(FAULTS[case], build) == [
        "build station enables the tick interrupt and has no handler for SysTick"
    ]


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("case", SOUND)
def test_ticks_with_a_handler_or_none_at_all(case: str, build: tuple[str, str, str]) -> None:
    """In this table or another, and no tick where code does not ask for it."""
    assert not _said(SOUND[case], build)
