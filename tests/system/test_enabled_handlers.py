"""Builds that enable interrupts, with a handler for each and without, compiled here by GCC and clang."""

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
REST, LOOPED, HALTED = (
    f"__attribute__((used)) static void rest(void) {{ for (;;) {{ {each} }} }}"
    for each in ('__asm volatile("wfi");', "turns;", '__asm volatile("bkpt 0");')
)
RESTART = (
    "__attribute__((used, noreturn)) static void rest(void) "
    '{ *(volatile uint32_t *)0xE000ED0Cu = 0x05FA0004u; __asm volatile("dsb"); for (;;) { } }'
)
RESTING = VECTORS.replace("stop", "rest")
TIMED_OUT = VECTORS.replace("[14 ... 23] = stop", "[14] = stop, [15] = rest, [16 ... 23] = stop")
EVERY = "stack_top, reset, tick, tick, [11] = tick, [14 ... 23] = tick"
NEVER = "__attribute__((used)) static void start(void) { %s }"
LABELS = (
    f"void begin(void); __attribute__((used, noinline)) void enable(void) {{ {ENABLED} }} "
    '__asm(".syntax unified\\n.text\\n.thumb_func\\n.global begin\\nbegin: push {r4, lr}\\n movs r4, #2\\n"'
    '"first_loop: subs r4, #1\\n bne first_loop\\nlast_step: bl enable\\n pop {r4, pc}\\n");'
)
"""Assembler code with labels in it that are symbols, of which only the first is called."""

SET = "*(volatile uint32_t *)0xE000E100u = 1u << 5; "
NVIC = (
    "struct nvic { volatile uint32_t iser[8]; }; "
    "static inline void enable(int which) { if (which >= 0) "
    "((struct nvic *)0xE000E100u)->iser[(uint32_t)which >> 5] = 1u << (which & 31); } "
)
ASKED = "*(volatile uint32_t *)0xE000ED04u = 1u << 28; "
FIFTH = "stack_top, reset, stop, stop, [11] = stop, [14 ... 20] = stop, [21] = tick, [22 ... 23] = stop"
NONE = "stack_top, reset, stop, stop, [11] = stop, [14 ... 20] = stop, [22 ... 23] = stop"
PENDED = "stack_top, reset, stop, stop, [11] = stop, [14] = tick, [15 ... 23] = stop"
HALT = '__attribute__((used, noreturn)) static void tick(void) { __asm volatile("cpsid i"); for (;;) { } }'
CALL = '__asm volatile(".inst.n 0xDF00");'
INTERRUPT, PENDSV, SVC = (
    "enables interrupt 5 and has no handler for it",
    "requests PendSV and has no handler for it",
    "executes SVC and has no handler for it",
)

OTHERS = {
    "an interrupt without a handler": ("", SET, VECTORS, INTERRUPT),
    "an interrupt without a word": ("", SET, NONE, INTERRUPT),
    "an interrupt, enabled by an inlined function": (NVIC, "enable(5);", VECTORS, INTERRUPT),
    "PendSV without a handler": ("", ASKED, VECTORS, PENDSV),
    "an interrupt after which all sleeps": (REST, SET, RESTING, INTERRUPT),
    "SVC without a handler": ("", CALL, VECTORS, SVC),
    "SVC with a handler": (TICK, CALL, VECTORS.replace("[11] = stop", "[11] = tick"), ""),
    "SVC in a table in RAM": (WORDS, IN_RAM + CALL, ZERO, ""),
    "SVC in a function that nothing calls": (NEVER % CALL, "", VECTORS, ""),
    "data that would be SVC": ("", "IO(0) = 0xDF00DF00u; IO(4) = 0x1234DF11u;", VECTORS, ""),
    "the second halfword of an instruction": ("", "IO(8) = IO(0xDF0);", VECTORS, ""),
    "an interrupt with a handler": (TICK, SET, FIFTH, ""),
    "an interrupt that stops the device on purpose": (HALT, f'__asm volatile("cpsie i"); {SET}', FIFTH, ""),
    "another interrupt": (
        TICK,
        SET.replace("<< 5", "<< 6"),
        FIFTH.replace("[21] = tick, [22", "[22] = tick, [23"),
        "",
    ),
    "interrupts that are never taken": ("", f'__asm volatile("cpsid i"); {SET}', VECTORS, ""),
    "an interrupt that wakes the core, and is asked": ("", '__asm volatile("wfe");', VECTORS, ""),
    "one handler for all interrupts": (ALL, SET, EVERY, ""),
    "PendSV with a handler": (TICK, ASKED, PENDED, ""),
    "an interrupt in a table in RAM": (WORDS, IN_RAM + SET, ZERO, ""),
    "a function that nothing calls": (NEVER % SET, "", VECTORS, ""),
}

FAULTS = {
    "no handler": ("", ENABLED, ZERO),
    "an endless loop": ("", ENABLED, VECTORS),
    "an endless loop, enabled in steps": ("", IN_STEPS, VECTORS),
    "an endless loop, enabled by a function": (SETUP, "setup(1000u);", VECTORS),
    "an endless loop, enabled after labels": (LABELS, "begin();", VECTORS),
    "sleep for ever": (REST, ENABLED, RESTING),
    "a loop over a variable": (LOOPED, ENABLED, RESTING),
    "a halt": (HALTED, ENABLED, RESTING),
    "a restart, as after a fault": (RESTART, ENABLED, RESTING),
}
SOUND = {
    "a handler": (TICK, ENABLED, OWN),
    "one handler for all": (ALL, ENABLED, EVERY),
    "a restart, of ticks alone": (RESTART, ENABLED, TIMED_OUT),
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


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("case", OTHERS)
def test_interrupts_and_pendsv(case: str, build: tuple[str, str, str]) -> None:
    """What code enables or requests needs a handler, which is not the loop of all the others."""
    *given, said = OTHERS[case]
    before, main, vectors = given
    assert _said((before, main, vectors), build) == ([f"build station {said}"] if said else [])


ENABLE = "(*(volatile uint32_t *)0xE000E1{:02X}u) {} {}u;"
DRIVER = (
    "__attribute__((noinline)) static void enable(uint32_t which) "
    "{ ((volatile uint32_t *)0xE000E100u)[which >> 5] = 1u << (which & 31u); }"
)
BEYOND = {
    "the first": (ENABLE.format(0, "=", 1 << 8), 8),
    "one of the next register": (ENABLE.format(4, "=", 1 << 3), 35),
    "a bit more": (ENABLE.format(0, "|=", 1 << 9), 9),
}
WITHIN = {
    "the last": ("", ENABLE.format(0, "=", 1 << 7)),
    "all that there are": ("", ENABLE.format(0, "=", 0xFFFF_FFFF)),
    "what is not known": (DRIVER, "enable(turns);"),
    "one that is switched off": ("", ENABLE.format(0x80, "=", 1 << 20)),
    "in a function that nothing calls": (NEVER % ENABLE.format(0, "=", 1 << 20), ""),
}


@pytest.mark.parametrize("build", WITH, ids="-".join)
def test_interrupts_that_the_core_does_not_have(build: tuple[str, str, str]) -> None:
    """The station has eight by the layout."""
    for main, number in BEYOND.values():
        assert _said((ALL, main, EVERY), build) == [
            f"build station enables interrupt {number}, and core station has 8 by the layout"
        ]
    for before, main in WITHIN.values():
        assert _said((ALL + before, main, EVERY), build) == []
