"""Endings by their kind: a small program of the station for each, with what the finding names."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest
import unicorn
from device_programs import (
    DEVICE,
    FLASH,
    RELEASE,
    SAMPLER,
    SLEEP,
    ZEROS,
    code_of,
    enabled,
    result,
    run,
    store,
    word,
)
from rehearsals import CORES
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of

from gemel.checking.rules.rehearsal_passes import finding_of
from gemel.rehearsal.emulator import loop_probe
from gemel.rehearsal.emulator.core import exceptions, protected_access
from gemel.rehearsal.emulator.core.code_stops import CodeStops
from gemel.rehearsal.emulator.core.exceptions import MAX_HANDLER, MAX_HANDLER_STACK
from gemel.rehearsal.emulator.core.stack_watch import MAX_BELOW
from gemel.rehearsal.kinds import FATAL, UNJUDGED
from gemel.rehearsal.raw_run import RawCore, RawEvent
from gemel.rehearsal.result import Rehearsal, RehearsalFinding
from gemel.rehearsal.verdict.endings import LONG, _handlers
from gemel.rehearsal.verdict.exception_words import NEAR_ZERO, stack_nowhere
from gemel.rehearsal.verdict.fault_words import MAX_MEMBER_DISTANCE
from gemel.rehearsal.verdict.judging import stack_room
from gemel.spans import Span
from gemel.structs import replace

HANG = "1: b 1b\n"
HANG_IN_HARD_FAULT = "mrs r0, ipsr\n cmp r0, #3\n1: beq 1b\n"
NO_RAM, CLOSED = 0x7000_0000, 0x3801_0100
"""An address of no memory, and one that the regions below leave closed."""

VECTORS, CONTROL = 0x5002_1114, 0x5002_1118


def region(number: int, start: int, last: int, access: int, never_executed: int) -> str:
    """Code that sets a region of the memory protection unit (Armv8-M: RNR, RBAR and RLAR)."""
    base = start | access << 1 | never_executed
    limit = last & ~0x1F | 1
    return store(0xE000_ED98, str(number)) + store(0xE000_ED9C, hex(base)) + store(0xE000_EDA0, hex(limit))


PROTECTED = region(0, FLASH, FLASH + 0x3FFFF, 2, 0) + region(1, 0x3800_0000, 0x3800_7FFF, 0, 1) + enabled(5)
PROTECTION_ON = store(0xE000_ED94, "1") + "dsb\n isb\n"
RAISE = store(0xE000_E200, "32") + SLEEP
ALL_NON_SECURE = store(0xE000_EDD0, "2")
"""The security attribution unit is off and leaves everything to the device."""
LOADED = "ldr r6, =0x38000001\n ldr r1, =0x4770bf00\n str r1, [r6, #-1]\n"
ENDINGS = {
    "stays-in-handler": (enabled(5) + store(0xE000_E200, "32") + SLEEP, "interrupt 5, since no handler"),
    "no-idle-state": ("1: adds r4, #1\n b 1b\n", "still busy"),
    "division-by-zero": (store(0xE000_ED14, "0x210") + "udiv r1, r1, r4\n" + SLEEP, "divides by zero"),
    "unprivileged-access": (
        "movs r1, #1\n msr control, r1\n isb\n" + store(0xE000_E100, "1") + SLEEP,
        "privilege",
    ),
    "stack-limit-fault": ("mov r1, sp\n msr msplim, r1\n push {r0, r1}\n" + SLEEP, "stack limit"),
    "call-escalated": ("cpsid i\n svc 0\n" + SLEEP, "supervisor call"),
    "stacking": (enabled(5) + f"ldr r1, ={NO_RAM}\n mov sp, r1\n" + RAISE, "stack"),
    "unstacking": (enabled(5) + RAISE, "unstack"),
    "no-coprocessor": ("mcr p2, 0, r0, c0, c0, 0\n" + SLEEP, "coprocessor"),
    "leaves-secure-state": (ALL_NON_SECURE + "ldr r3, =0x10002000\n blxns r3\n" + SLEEP, "Non-secure state"),
    "invalid-entry": ("ldr r3, =0x10002000\n blxns r3\n" + SLEEP, "Secure, which is a SecureFault (INVEP)"),
    "vectors-unreadable": (
        store(VECTORS, hex(NO_RAM)) + store(CONTROL, "0") + SLEEP,
        "starts at an unmapped address",
    ),
    "protected-read": (PROTECTED + PROTECTION_ON + f"ldr r0, ={CLOSED}\n ldr r1, [r0]\n" + SLEEP, "reads"),
    "protected-write": (PROTECTED + PROTECTION_ON + f"ldr r0, ={CLOSED}\n str r1, [r0]\n" + SLEEP, "writes"),
    "protected-fetch": (PROTECTED + LOADED + PROTECTION_ON + "bx r6\n" + SLEEP, "executes"),
    "protected-stacking": (
        PROTECTED + PROTECTION_ON + f"ldr r1, ={CLOSED}\n mov sp, r1\n" + RAISE,
        "stacks",
    ),
    "protected-unstacking": (PROTECTED + PROTECTION_ON + RAISE, "unstacks"),
}
HANDLERS = {
    "unstacking": HANG_IN_HARD_FAULT + f"ldr r1, ={NO_RAM}\n mov sp, r1\n",
    "protected-unstacking": HANG_IN_HARD_FAULT + f"ldr r1, ={CLOSED}\n mov sp, r1\n",
}


TIMER_NAMES = {
    "": "interrupt 5,",
    f"TIMER_STATUS = {DEVICE + 4:#x}\n": "interrupt 5 (TIMER_STATUS),",
    f"TIMER_ENABLE = {DEVICE:#x}\nOTHER = {DEVICE + 8:#x}\n": "interrupt 5 (TIMER_ENABLE),",
    f"OTHER = {DEVICE + 8:#x}\n": "interrupt 5,",
}


@pytest.mark.parametrize("registers", TIMER_NAMES)
def test_an_interrupt_has_the_name_of_the_register_of_its_device(registers: str) -> None:
    """Where the layout names a register of the event that raises it; the name of another register says nothing."""
    event = (
        f'[[rehearsal.event]]\ncore = "station"\nevery = 500\ninterrupt = 5\nenabled_at = {DEVICE:#x}\n'
        f"status_at = {DEVICE + 4:#x}\n"
    )
    program = (
        store(VECTORS, "0x10008000")
        + store(CONTROL, "0")
        + enabled(5)
        + store(DEVICE, "1")
        + "1: b 1b\n .ltorg\n"
    )
    table = event + f"[rehearsal.register_name]\n{registers}"
    sampler = enabled(9) + SLEEP
    finding = run(program + ".ltorg\n", table, handler=HANG, sampler=sampler, budget=2_000_000).finding(
        "stays-in-handler"
    )
    assert finding is not None
    assert f"stays in a handler for {TIMER_NAMES[registers]} since" in finding.what


SWITCH = """static volatile unsigned ticks, ready;
void systick_handler(void) { if (++ticks % 8 == 0) { ready = READY; } }
USED static unsigned is_ready(void) { return ready; }
USED static void idle(void) { for (;;) { WFI(); } }
USED static void task(void) { for (;;) { if (ready) { ready = 0; } WFI(); } }
PENDSV
void scenario(void)
{
    SHPR(14) = 0xE0;
    SHPR(15) = 0x80;
    start_tick(1000);
    for (;;) { ICSR = ICSR_PENDSV_SET; NOP(); }
}
"""
LEFT_BY_LINK = '("ldr r0, =task\\n mov lr, r0\\n bx lr\\n .ltorg")'
IN_PENDSV = {
    "sleeps": ("void pendsv_handler(void) { for (;;) { WFI(); } }", "stays in pendsv_handler for PendSV"),
    "sleeps in a function": ("void pendsv_handler(void) { idle(); ready = 0; }", "for PendSV, in idle"),
    "left": (
        f"NAKED void pendsv_handler(void) {{ __asm volatile{LEFT_BY_LINK}; }}",
        "never returned from PendSV",
    ),
    "waits": ("void pendsv_handler(void) { while (!ready) { WFI(); } ready = 0; }", ""),
    "waits by a function": ("void pendsv_handler(void) { while (!is_ready()) { WFI(); } ready = 0; }", ""),
    "sleeps once": ("void pendsv_handler(void) { WFI(); }", ""),
}


@pytest.mark.parametrize("ready", ["0", "1"])
@pytest.mark.parametrize("options", [("gcc", "-O0"), ("clang", "-O2")])
@pytest.mark.parametrize("name", IN_PENDSV)
def test_sleep_in_pendsv(name: str, options: tuple[str, str], ready: str, builder: Builder) -> None:
    """A kernel may idle there while no task is ready; one that looks at nothing never returns to thread code."""
    compiler, level = options
    handler, said = IN_PENDSV[name]
    code = SWITCH.replace("PENDSV\n", f"{handler}\n").replace("READY", ready)
    awake = Source("void scenario(void) { enable_irq(DOORBELL, 0x40); }\n")
    goals = [(f'[[rehearsal.goal]]\ncore = "{core}"\ntext = "{core}: done"\n', "") for core in CORES]
    case = Case(name, "endings", Source(code, (), compiler, (level,)), awake, layout=tuple(goals))
    result = product_of(case, builder.build(case)).rehearse(budget=3_000_000)
    assert result.outcome == ("fails" if said else "started")
    assert [said in each.what and each.kind for each in result.findings] == ["stays-in-handler"] * bool(said)
    assert not any("about to be taken" in each.found for each in result.findings)


ONE_FOR_TWO = """void systick_handler(void) { for (;;) { NOP(); } }
void svc_handler(void) __attribute__((alias("systick_handler")));
void hard_fault_handler(void) __attribute__((alias("irq60_handler")));
void irq60_handler(void) { for (;;) { WFI(); } }
void scenario(void) { RAISE for (;;) { WFI(); } }
"""


@pytest.mark.parametrize(
    ("raised", "named"),
    [
        ("SVC(0);", "svc_handler for SVCall"),
        ("start_tick(500);", "systick_handler for SysTick"),
        ("enable_irq(60, 0x40); pend_irq(60);", "irq60_handler for interrupt 60"),
    ],
)
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_a_handler_of_two_exceptions_has_the_name_that_fits(
    raised: str, named: str, compiler: str, builder: Builder
) -> None:
    """Two names of one address: the one of the exception that was taken is shown."""
    case = Case("named", "endings", Source(ONE_FOR_TWO.replace("RAISE", raised), (), compiler), Source())
    finding = product_of(case, builder.build(case)).rehearse().finding("stays-in-handler")
    assert finding is not None
    assert finding.what == f"core station stays in {named}"


DEFAULT = {
    "pended by itself": ("pend_irq(9);", "", "interrupt 9, since no handler of its own is linked ("),
    "rung by the other core": (
        "",
        "RING_OTHER = 1;",
        "interrupt 6 (from core sampler), since no handler of its own",
    ),
}


@pytest.mark.parametrize("name", DEFAULT)
@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_the_handler_that_a_core_stays_in_is_named(name: str, level: str, builder: Builder) -> None:
    """With a build the function is named: the default handler that many vectors share."""
    own, other, said = DEFAULT[name]
    waits = "for (;;) { if (LINK->word[31] == 77) { break; } }"
    station = (
        f"void scenario(void)\n{{\n    enable_irq(9, 0x40); enable_irq(DOORBELL, 0x40); {own} {waits}\n}}\n"
    )
    sampler = f"void scenario(void)\n{{\n    spend(2000); {other}\n}}\n"
    case = Case("stays", "endings", Source(station, (), "gcc", (level,)), Source(sampler))
    finding = product_of(case, builder.build(case)).rehearse().finding("stays-in-handler")
    assert finding is not None
    assert finding.what.startswith(f"core station stays in default_handler for {said}")


@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_the_handler_of_an_interrupt_that_is_not_cleared_is_named(level: str, builder: Builder) -> None:
    """The handler that does not clear what raised the interrupt, and where it comes from: the place itself once."""
    station = "volatile uint32_t rings;\nvoid doorbell_handler(void) { rings++; }\n"
    station += "void scenario(void) { enable_irq(DOORBELL, 0x40); while (LINK->word[31] != 77); }\n"
    sampler = "void scenario(void)\n{\n    spend(2000); RING_OTHER = 1;\n}\n"
    case = Case("storm", "endings", Source(station, (), "gcc", (level,)), Source(sampler))
    finding = product_of(case, builder.build(case)).rehearse(exact=True).finding("interrupt-livelock")
    assert finding is not None
    assert finding.found.endswith("each time that its handler doorbell_handler returns")
    shown = finding_of(finding)
    assert not any(str(finding.place) in line for line in shown.lines)
    assert any("reset_handler" in line for line in shown.lines)


@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_what_a_handler_that_many_vectors_share_calls_is_named(level: str, builder: Builder) -> None:
    """It goes on by the number of the exception, as kernels do: no handler is missing, and what it last said counts."""
    code = """__attribute__((noinline)) static void stuck(void)
{
    show("no driver", 9);
    for (;;) {
        __asm volatile("");
    }
}
static void goes_on(void)
{
    stuck();
}
static uint32_t table[128] __attribute__((aligned(512)));
void scenario(void)
{
    for (uint32_t i = 0; i < 128; i++) {
        table[i] = (uint32_t)goes_on;
    }
    *(volatile uint32_t *)0xE000ED08 = (uint32_t)table;
    enable_irq(9, 0x40);
    pend_irq(9);
}
"""
    case = Case("stays", "endings", Source(code, (), "gcc", (level, "-fno-optimize-sibling-calls")), Source())
    finding = product_of(case, builder.build(case)).rehearse().finding("stays-in-handler")
    assert finding is not None
    assert finding.what == "core station stays in goes_on for interrupt 9, in stuck"
    assert 'it sent its last line, "station: no driver' in finding.found
    assert finding.next_step == "see what stuck waits for, or do not enable the interrupt"


@pytest.mark.parametrize("kind", ENDINGS)
def test_ending_is_named(kind: str) -> None:
    """Each class of ending is found as what it is, and does not pass."""
    program, said = ENDINGS[kind]
    rehearsal = run(program, "", handler=HANDLERS.get(kind, HANG))
    if kind == "vectors-unreadable":  # which follows from where the core is released
        (cause,) = rehearsal.findings
        assert cause.kind == "released-at-wrong-address"
        assert said in cause.found
        return
    finding = rehearsal.finding(kind)
    assert finding is not None, rehearsal.findings
    assert said in finding.what
    assert finding.core == "station"
    assert not rehearsal.passes
    assert rehearsal.outcome == ("no verdict" if kind in UNJUDGED else "fails")


TICKS = store(0xE000_ED20, "0x40FF0000") + store(0xE000_E014, "0xC000") + store(0xE000_E010, "7")
COUNT = "ldr r0, =0x38010000\n ldr r1, [r0]\n adds r1, #1\n str r1, [r0]\n"
TICK_COUNTS = "mrs r0, ipsr\n cmp r0, #15\n bne 1f\n" + COUNT + "bx lr\n1:\n"
OWN_TABLE = store(0xE000_ED08, "0x38000200") + "".join(
    store(0x3800_0200 + 4 * number, hex(FLASH + 0x801)) for number in (14, 15)
)
PENDSV = store(0xE000_ED04, "0x10000000") + "dsb\n isb\n" + SLEEP
SLEEPS_THERE = (
    "2: cpsid i\n dsb\n wfi\n cpsie i\n"
    "ldr r0, =0x38000100\n ldr r0, [r0]\n cmp r0, #9\n bne 2b\n bx lr\n .ltorg\n"
)


@pytest.mark.parametrize(
    ("beginning", "handler", "stays"),
    [
        (TICKS, TICK_COUNTS + SLEEPS_THERE, False),
        (TICKS, "mrs r0, ipsr\n cmp r0, #15\n bne 2f\n bx lr\n" + SLEEPS_THERE, False),
        ("", SLEEPS_THERE, True),
        (TICKS, TICK_COUNTS + "2: b 2b\n", True),
        (TICKS, "mrs r0, ipsr\n cmp r0, #15\n beq 2f\n bx lr\n" + SLEEPS_THERE, True),
    ],
    ids=["counting ticks wake", "ticks wake", "nothing wakes", "it does not sleep", "another handler"],
)
def test_a_kernel_that_idles_in_its_switch(beginning: str, handler: str, stays: bool) -> None:
    """Where no task is ready some kernels sleep in PendSV; only where interrupts end that sleep is it an idle state."""
    rehearsal = run(OWN_TABLE + beginning + PENDSV, "", handler=handler, budget=2_200_000)
    assert (rehearsal.finding("stays-in-handler") is not None) is stays, rehearsal.findings
    assert rehearsal.finding("no-idle-state") is None


@pytest.mark.parametrize("moved", [0x3800_0020, 0x3800_0000])
def test_a_table_at_an_address_that_the_vector_register_does_not_keep(moved: int) -> None:
    """A handler of another vector runs, since the table is not where it was written to be; not that none is linked."""
    table = "".join(store(moved + 4 * number, hex(FLASH + 0x801)) for number in range(12, 23))
    rehearsal = run(table + store(0xE000_ED08, hex(moved)) + enabled(5) + RAISE, "", handler=HANG)
    finding = rehearsal.finding("stays-in-handler")
    assert finding is not None
    said = ": its vector table is at 0x3800_0000, not at 0x3800_0020, as VTOR keeps the upper bits alone"
    assert (said in finding.what) is (moved == 0x3800_0020)
    assert finding.next_step.startswith("align the vector table") is (moved == 0x3800_0020)


MISPLACED = 0x3800_0020
HANDLERS_THERE = "".join(store(MISPLACED + 4 * number, hex(FLASH + 0x801)) for number in range(2, 22))
EMPTY_TABLE = "movs r1, #0\n" + "".join(
    f"ldr r0, ={0x3800_0000 + 4 * number:#x}\n str r1, [r0]\n" for number in (3, 14, 21)
)
PENDS = "dsb\n isb\n" + store(0xE000_ED04, "0x10000000") + "dsb\n isb\n" + SLEEP


@pytest.mark.parametrize(
    ("table", "moved", "named"),
    [
        (HANDLERS_THERE + EMPTY_TABLE, MISPLACED, True),
        (EMPTY_TABLE, MISPLACED, True),
        (EMPTY_TABLE, 0x3800_0000, False),
        (store(0x3800_000C, hex(FLASH + 0x801)) + store(0x3800_0038, "0"), MISPLACED, False),
    ],
    ids=["handlers where it was put", "none anywhere", "an aligned table", "a table that is where VTOR says"],
)
def test_a_vector_of_a_table_that_is_not_where_it_was_put(table: str, moved: int, named: bool) -> None:
    """A vector that is no code, and the HardFault vector of a core that locks up, are read from where VTOR keeps."""
    said = "its vector table is at 0x3800_0000, not at 0x3800_0020"
    for program, kind in ((PENDS, "bad-vector"), ("udf #1\n" + SLEEP, "undefined-instruction")):
        finding = run(table + store(0xE000_ED08, hex(moved)) + program, "", handler=HANG).finding(kind)
        assert finding is not None
        assert (said in finding.found) is named
        assert ("align the vector table" in finding.next_step) is named
        assert ("HardFault vector" in finding.next_step) is (not named and "locks up" in finding.found)


@pytest.mark.parametrize(("moved", "is_missing"), [(0x7000_0000, True), (FLASH, False)])
def test_a_vector_table_in_no_memory_is_named(moved: int, is_missing: bool) -> None:
    """VTOR set to an address without memory is the cause, not a vector that nobody filled."""
    finding = run(store(0xE000_ED08, hex(moved)) + PENDS, "", handler=HANG).finding("bad-vector")
    assert (finding is not None) is is_missing
    if finding:
        assert finding.what == "core station takes PendSV, but its vector table is in no memory"
        assert finding.found.startswith("VTOR is 0x7000_0000; the core locks up")
        assert "aliases" in finding.next_step
        assert "HardFault" not in finding.next_step


SAVES = "mrs r0, psp\n stmdb r0!, {r4-r11}\n"
SAVES_UPWARDS = "mrs r0, psp\n subs r0, #32\n stmia r0!, {r4-r7}\n"


@pytest.mark.parametrize(
    ("program", "handler", "named", "unset"),
    [
        (PENDS, SAVES, "process stack pointer is 0x0000_0000", True),
        (PENDS, SAVES_UPWARDS, "process stack pointer is 0x0000_0000", True),
        (f"ldr r0, ={NO_RAM}\n msr psp, r0\n" + PENDS, SAVES, "process stack pointer is 0x7000_0000", False),
        ("mov sp, r4\n push {r0}\n" + SLEEP, "", "the stack pointer is 0x0000_0000", True),
        (f"ldr r0, ={NO_RAM}\n mov sp, r0\n pop {{r1}}\n" + SLEEP, "", "pointer is 0x7000_0000", False),
        (PENDS, "movs r0, #0\n str r0, [r0, #-8]\n", "", False),
        (PENDS, f"ldr r0, ={NO_RAM}\n stmia r0!, {{r4-r7}}\n", "", False),
        ("subs r0, r4, #4\n str r0, [r0]\n" + SLEEP, "", "", False),
    ],
)
def test_a_stack_pointer_that_is_in_no_memory(program: str, handler: str, named: str, unset: bool) -> None:
    """A push by a pointer that nobody has set names it, and proposes no memory; others do, if not in front of 0."""
    rehearsal = run(program, "", handler=HANG_IN_HARD_FAULT + handler)
    finding = next(each for each in rehearsal.findings if each.kind.startswith("unmapped-"))
    if not named:
        assert "stack pointer" not in finding.found.partition("core enters")[0]
        assert ("layout" in finding.next_step) is ("as from a null pointer" not in finding.found)
        return
    assert named in finding.found
    assert ("which no code has set to a stack" in finding.found) is unset
    assert "layout" not in finding.next_step


@pytest.mark.parametrize(("pointer", "unset"), [(255, True), (256, False)])
def test_near_zero(pointer: int, unset: bool) -> None:
    """Below ``NEAR_ZERO`` no stack is, and ``MAX_BELOW`` is how far one instruction reaches below its pointer."""
    assert NEAR_ZERO == MAX_BELOW == 256
    event = RawEvent(1, "x", "stacking", 1, {"address": 4, "pointer": pointer, "process": 1}, {})
    assert ("no code has set" in stack_nowhere("", "", event).found) is unset


def test_process_stack_pointer_that_is_not_set_and_an_exception() -> None:
    """Thread code that uses it without a push has its frame nowhere."""
    uses = "movs r0, #2\n msr control, r0\n isb\n" + PENDS
    finding = run(uses, "", handler=HANG).finding("stacking")
    assert finding is not None
    assert "the process stack pointer is 0x0000_0000, which no code has set" in finding.found
    set_first = "ldr r0, =0x38002000\n msr psp, r0\n" + uses
    assert run(set_first, "").finding("stacking") is None


OTHERS = 0x3800_8000
"""RAM of the sampler, where the station's ends."""


@pytest.mark.parametrize(
    ("program", "said", "next_step"),
    [
        (
            f"ldr r0, ={OTHERS + 0x200:#x}\n mov sp, r0\n push {{r4}}\n push {{r5}}\n",
            "by its stack pointer, which is 0x3800_8200",
            "set the stack pointer to RAM of its own",
        ),
        (
            f"ldr r0, ={OTHERS + 0x200:#x}\n mov sp, r0\n" + PENDS,
            "by its stack pointer, which is 0x3800_8200",
            "set the stack pointer to RAM of its own",
        ),
        (store(OTHERS + 0x200, "1"), "value 0x0000_0001", "purpose shared"),
        (f"ldr r0, ={OTHERS + 0x200:#x}\n movs r1, #1\n stmdb r0!, {{r1}}\n", "value", "purpose shared"),
    ],
    ids=["pushes", "an exception frame", "a store", "a store downwards"],
)
def test_a_stack_in_ram_of_another_core(program: str, said: str, next_step: str) -> None:
    """Pushes there are one finding, which speaks of the stack; a store by another pointer is as before."""
    rehearsal = run(program + SLEEP, "")
    (finding,) = [each for each in rehearsal.findings if each.kind == "write-to-other-core"]
    assert said in finding.found
    assert next_step in finding.next_step


def test_a_stack_that_grows_into_ram_of_another_core() -> None:
    """The sampler's RAM begins where the station's ends: what its stack leaves below is the station's."""
    top = OTHERS + 8
    grows = f"ldr r0, ={top:#x}\n mov sp, r0\n push {{r4, r5}}\n push {{r6}}\n push {{r7}}\n" + SLEEP
    rehearsal = run(RELEASE + SLEEP, "", sampler=grows)
    (finding,) = [each for each in rehearsal.findings if each.kind == "write-to-other-core"]
    assert finding.core == "sampler"
    assert "below the stack from 0x3801_0000 down" in finding.found
    assert finding.next_step == "give the stack more room, or find the recursion or the large local variable"
    fits = grows.replace("push {r6}\n push {r7}\n", "")
    assert run(RELEASE + SLEEP, "", sampler=fits).finding("write-to-other-core") is None


@pytest.mark.parametrize(
    ("handler", "left"),
    [
        (f"ldr r2, ={FLASH + 0x8F1:#x}\n mov lr, r2\n bx lr\n", "was left by the branch at 0x1000_080"),
        (
            f"push {{r4, lr}}\n ldr r2, ={FLASH + 0x8F1:#x}\n str r2, [sp, #4]\n mov lr, r2\n pop {{r4, pc}}\n",
            "was left by",
        ),
        ("add sp, #32\n ldr r2, =0x100008F1\n bx r2\n", ""),
        ("add sp, #32\n ldr r2, =0x100008F1\n mov lr, r2\n mov pc, r2\n", "took its exception frame off"),
        ("2: b 2b\n", ""),
        ("push {r4, lr}\n bl 3f\n 3: bl 2f\n 2: b 2b\n", ""),
        ("mov r4, lr\n bl 3f\n 2: b 2b\n 3: bx lr\n", ""),
        ("ldr r2, =0x100008F1\n bx r2\n", ""),
        ("ldr r2, =0x100008F1\n blx r2\n", ""),
    ],
    ids=[
        "bx lr",
        "popped from its stack",
        "its frame popped, with the link value kept",
        "its frame popped, and no link value",
        "it hangs itself",
        "it hangs in what it calls",
        "it hangs after a call",
        "it goes on elsewhere",
        "it calls what hangs",
    ],
)
def test_a_handler_that_is_left_by_a_plain_branch(handler: str, left: str) -> None:
    """It is named as that where its link value is lost; one that hangs, or calls what hangs, stays there."""
    ends = handler + ".ltorg\n .org 0xF0\n 4: b 4b\n"
    finding = run(enabled(5) + RAISE, "", handler=ends).finding("stays-in-handler")
    assert finding is not None
    assert (finding.what == "core station never returned from interrupt 5") is bool(left), finding
    assert left in finding.found
    assert ("no EXC_RETURN" in finding.found) is bool(left)


@pytest.mark.parametrize(("far", "left"), [(MAX_HANDLER - 8, True), (MAX_HANDLER, False)])
def test_how_far_a_handler_is_looked_through(far: int, left: bool) -> None:
    """``MAX_HANDLER``: the block that leaves it begins so far from where the handler does."""
    beyond = f"b.w 1f\n .org {far:#x}\n 1: ldr r2, =0x10000C80\n adds r2, #1\n mov lr, r2\n bx lr\n .ltorg\n"
    ends = beyond + ".org 0x480\n 4: b 4b\n"
    finding = run(enabled(5) + RAISE, "", handler=ends).finding("stays-in-handler")
    assert finding is not None
    assert ("never returned" in finding.what) is left


@pytest.mark.parametrize(("depth", "left"), [(MAX_HANDLER_STACK, False), (MAX_HANDLER_STACK + 4, True)])
def test_how_deep_a_link_value_is_looked_for(depth: int, left: bool) -> None:
    """``MAX_HANDLER_STACK``: what is further below than this says nothing of whether the handler may return."""
    memory = {0x1000: 0xFFFF_FFF9}

    def read(address: int, size: int) -> bytes:
        return b"".join(memory.get(at, 0).to_bytes(4, "little") for at in range(address, address + size, 4))

    core = SimpleNamespace(
        interrupts=SimpleNamespace(handler=21),
        registers=SimpleNamespace(stack=0x1000, snapshot=lambda: (0,) * 17),
        bus=SimpleNamespace(read_bytes=read),
        stack_moves=SimpleNamespace(elsewhere=False),
    )
    exceptions_of_core = exceptions.CoreExceptions(core)  # type: ignore[arg-type]
    exceptions_of_core.began[21] = exceptions.Began(0x1000 + depth, 0xFFFF_FFF9, 0x100)
    exceptions_of_core._branched[21] = 0x110, 0x200
    assert exceptions_of_core.left() == ((0x110, 0x200, 0) if left else ())


CALLS_HELD_BACK = {
    "PRIMASK": ("cpsid i\n svc 0\n", "", "SVCall is masked by PRIMASK"),
    "BASEPRI": (
        store(0xE000_ED1C, "0xE0000000") + "movs r0, #0x40\n msr basepri, r0\n svc 0\n",
        "",
        "SVCall is masked by BASEPRI 0x40, as its priority is 0xE0",
    ),
    "a handler": (
        enabled(5) + RAISE,
        "svc 0\n",
        "SVCall is held off by the handler of interrupt 5, which has",
    ),
}


@pytest.mark.parametrize("by", CALLS_HELD_BACK)
def test_what_holds_a_supervisor_call_back_is_named(by: str) -> None:
    """A mask or a handler keeps the call from being taken: which, and the priorities."""
    program, handler, found = CALLS_HELD_BACK[by]
    finding = run(program + SLEEP, "", handler=HANG_IN_HARD_FAULT + handler).finding("call-escalated")
    assert finding is not None
    assert finding.found.startswith(found)


@pytest.mark.parametrize("escapes", [True, False])
def test_a_supervisor_call_of_code_that_a_handler_was_left_to(escapes: bool) -> None:
    """The call cannot be taken, as the core is in handler mode still; the handler may make one itself."""
    leaves = f"ldr r2, ={FLASH + 0x8F1:#x}\n mov lr, r2\n bx lr\n" if escapes else "b 4f\n"
    handler = HANG_IN_HARD_FAULT + leaves + ".ltorg\n .org 0xF0\n 4: svc 0\n"
    finding = run(enabled(5) + RAISE, "", handler=handler).finding("call-escalated")
    assert finding is not None
    assert ("was left by the branch" in finding.found) is escapes
    assert ("link register" in finding.next_step) is escapes


NESTED = "mrs r0, ipsr\n cmp r0, #3\n1: beq 1b\n cmp r0, #14\n beq 2f\n" + store(0xE000_ED04, "0x10000000")
TO_THREAD = "dsb\n isb\n bx lr\n2: mvn lr, #6\n bx lr\n .ltorg\n"
ITSELF = "dsb\n isb\n bx lr\n2: bx lr\n .ltorg\n"


@pytest.mark.parametrize(
    ("priorities", "ends", "found"),
    [("", TO_THREAD, True), ("", ITSELF, False), (store(0xE000_ED20, "0x00FF0000"), TO_THREAD, False)],
    ids=["it interrupts a handler", "it returns to that", "the lowest priority"],
)
def test_a_switch_that_interrupts_a_handler(priorities: str, ends: str, found: bool) -> None:
    """PendSV of priority 0 returns to thread code while the handler that pended it is active."""
    urgent = priorities + store(0xE000_E404, "0x8000") + store(0xE000_ED14, "0x200") + enabled(5)
    rehearsal = run(urgent + RAISE, "", handler=NESTED + ends, architecture="armv7e-m")
    finding = rehearsal.finding("bad-exception-return")
    assert (finding is not None) is found, rehearsal.findings
    if finding:
        assert finding.what.endswith(
            "returns from PendSV to thread code while the handler of interrupt 5 is active"
        )
        assert (
            "PendSV, of priority 0x00, has interrupted the handler of interrupt 5, of priority 0x80"
            in finding.found
        )
        assert "SHPR3, 0xE000_ED20" in finding.next_step


def returns_to(handler: str) -> RehearsalFinding:
    """What is found of a supervisor call with this handler, of which a fault's handler hangs."""
    rehearsal = run("svc 0\n" + SLEEP, "", handler=HANG_IN_HARD_FAULT + handler)
    (finding,) = [each for each in rehearsal.findings if each.core == "station"]
    return finding


def test_where_a_bad_address_comes_from() -> None:
    """A stacked return address that a handler wrote over, and the link value of an exception outside of a handler."""
    frame = returns_to("movs r0, #0\n str r0, [sp, #24]\n")
    assert frame.what == "core station returns from SVCall to what is not its code"
    assert frame.found.startswith("0x0000_0000")
    called = returns_to("movs r0, #0\n bx r0\n")
    assert "returns from" not in called.what
    link = run("ldr r0, =0xFFFFFFF9\n bx r0\n" + SLEEP, "", handler=HANG).finding("fetch-outside-code")
    assert link is not None
    assert "branches to the link value of an exception in thread mode" in link.what


def test_a_frame_that_cannot_be_stacked_for_a_fault_is_named_by_that() -> None:
    """The store below the stack is the cause; the exception of its fault has no room either."""
    rehearsal = run(f"ldr r1, ={NO_RAM}\n mov sp, r1\n push {{r0}}\n" + SLEEP, "", handler=HANG)
    (finding,) = [each for each in rehearsal.findings if each.core == "station"]
    assert finding.kind == "unmapped-write"
    assert finding.found.endswith("so core station cannot stack an exception frame")


def test_a_handler_is_named_by_its_vector() -> None:
    """Where it stays in a function that its handler calls, both are named."""
    core = RawCore("station", "running", 9, 0x105, (), None, None, {}, handlers=((21, 3, 0x101, 1),))
    symbols = {0x100: "irq5_handler", 0x104: "take"}
    plan = SimpleNamespace(lines_between=lambda _: {}, registers=SimpleNamespace(events=()))
    names = SimpleNamespace(
        handler_name=lambda _, at, __: symbols[at & ~3],
        register_name=lambda _: "",
        place=lambda *_, **__: None,
    )
    run = SimpleNamespace(cores=(core,), ended="same state", time=9, events=())
    (finding,) = _handlers(plan, run, names, {})  # type: ignore[arg-type]
    assert finding.what == "core station stays in irq5_handler for interrupt 5, in take"
    core = replace(core, pc=0x101)
    (finding,) = _handlers(plan, SimpleNamespace(**{**vars(run), "cores": (core,)}), names, {})  # type: ignore[arg-type]
    assert finding.what == "core station stays in irq5_handler for interrupt 5"


def test_a_call_by_a_null_pointer_is_named() -> None:
    """A branch to zero is a pointer that nobody set; one to another even address lacks the Thumb bit."""
    null = run("movs r1, #0\n blx r1\n" + SLEEP, "", handler=HANG).finding("invalid-state")
    even = run(f"ldr r1, ={FLASH + 0x400:#x}\n blx r1\n" + SLEEP, "", handler=HANG).finding("invalid-state")
    assert null is not None
    assert even is not None
    assert "a pointer to a function is null" in null.found
    assert "without the Thumb bit" in even.what


@pytest.mark.parametrize(
    ("code", "returns"),
    [
        ("movs r1, #0\n mov lr, r1\n bx lr\n", True),
        ("movs r1, #0\n push {r1}\n bl 1f\n pop {pc}\n1: bx lr\n", True),
        ("movs r1, #0\n push {r1}\n bl 1f\n1: pop {r2}\n bx r1\n", False),
        ("movs r1, #0\n push {r1, lr}\n pop {r1, r2}\n bl 1f\n nop\n1: bx r1\n", False),
    ],
)
def test_a_return_to_zero_is_no_call(code: str, returns: bool) -> None:
    """A null return address, in the link register or popped, is that of a task; else a pointer is null."""
    finding = run(code + SLEEP, "", handler=HANG).finding("invalid-state")
    assert finding is not None
    assert ("returns to address zero" in finding.what) is returns
    assert ("a pointer to a function is null" in finding.found) is not returns


RESETS = {
    "without the Thumb bit": (FLASH + 0x400, "invalid-state", "core station starts at an address without"),
    "zero": (0, "invalid-state", "core station starts at an address without the Thumb bit"),
    "no memory": (NO_RAM + 1, "fetch-outside-code", "core station executes what is not its code"),
    "erased flash": (FLASH + 0x7001, "fetch-outside-code", "core station executes what is not its code"),
    "an erased word": (0xFFFF_FFFF, "fetch-outside-code", "core station executes what is not its code"),
}


@pytest.mark.parametrize("name", RESETS)
def test_a_reset_vector_that_leads_to_no_code(name: str) -> None:
    """That the core came there by its vector table is said; a branch to the same place says nothing of the table."""
    reset, kind, what = RESETS[name]
    finding = run(SLEEP, "", handler=HANG, reset=reset).finding(kind)
    assert finding is not None
    assert finding.what.startswith(what)
    assert "its reset vector, at 0x1000_0004, leads there" in finding.found
    assert "link register" not in finding.found
    branch = run(f"ldr r1, ={reset:#x}\n bx r1\n .ltorg\n", "", handler=HANG).finding(kind)
    assert branch is not None
    assert "vector," not in branch.what + branch.found


def test_a_loop_under_a_mask_names_what_is_held_off() -> None:
    """A core that waits for what a masked interrupt would write: the interrupt is named."""
    waits = "cpsid i\n" + store(0xE000_E200, "32") + "ldr r0, =0x38001000\n1: ldr r1, [r0]\n b 1b\n"
    finding = run(enabled(5) + waits, "", handler=HANG).finding("endless-loop")
    assert finding is not None
    assert "; interrupt 5 is pending and masked" in finding.found
    assert finding.next_step.startswith("let interrupt 5 be taken, or ")


def test_a_hang_that_a_tick_interrupts_is_named_by_its_own_exception() -> None:
    """The run may end in the tick's handler: the one that does not return is named, with its function."""
    hangs = (
        "mrs r0, ipsr\n cmp r0, #15\n1: bne 1b\n" + COUNT + "mov r3, #7000\n2: subs r3, #1\n bne 2b\n bx lr\n"
    )
    beginning = TICKS + store(0xE000_E404, "0x8000") + enabled(5)
    finding = run(beginning + RAISE, "", handler=hangs, budget=2_200_000).finding("stays-in-handler")
    assert finding is not None
    assert "for interrupt 5" in finding.what


def test_the_end_of_the_budget_in_a_handler_is_no_hang() -> None:
    """A core that only ticks wake is idle, wherever in the tick's long handler, or under its mask, the budget ends."""
    works = COUNT + "cpsid i\n mov r3, #15000\n2: subs r3, #1\n bne 2b\n cpsie i\n bx lr\n"
    for budget in (200_000, 230_000):
        rehearsal = run(TICKS + SLEEP, "", handler=works, budget=budget)
        assert rehearsal.finding("no-idle-state") is None
        assert rehearsal.finding("stays-in-handler") is None


def put_back(*writes: str) -> Rehearsal:
    """The station writes these values to the control register, with time between; then both wait for interrupts."""
    delay = "movs r2, #200\n{0}: subs r2, #1\n bne {0}b\n"
    program = store(VECTORS, hex(SAMPLER)) + "".join(
        store(CONTROL, value) + delay.format(place) for place, value in enumerate(writes, 2)
    )
    return run(enabled(3) + program + SLEEP, "", sampler=enabled(3) + SLEEP)


def test_a_secondary_that_is_put_back_into_reset() -> None:
    """Without goals it has not started; released again it has."""
    left = put_back("0", "2")
    finding = left.finding("no-idle-state")
    assert finding is not None
    assert (finding.core, left.passes) == ("sampler", False)
    assert put_back("0", "2", "0").finding("no-idle-state") is None


@pytest.mark.parametrize("program", [store(0x7000_0000, "1") + SLEEP, "1: b 1b\n .ltorg\n"])
@pytest.mark.parametrize("budget", [3_000, 20_000])
def test_the_end_of_the_budget_in_a_loop_that_reads_nothing(program: str, budget: int) -> None:
    """Seen as a circle just before a short budget ends, or not; it has a result in any case."""
    rehearsal = run(program, "", handler="1: b 1b\n", budget=budget)
    assert not rehearsal.passes
    assert rehearsal.findings


def test_a_handler_that_returns_to_what_faults_is_named() -> None:
    """A handler that counts and returns to the instruction that faults leads nowhere, which is named."""
    count = "ldr r0, =0x38001000\n ldr r1, [r0]\n adds r1, #1\n str r1, [r0]\n"
    rehearsal = run(f"ldr r1, ={NO_RAM}\n ldr r2, [r1]\n" + SLEEP, "", handler=count)
    finding = rehearsal.finding("interrupt-livelock")
    assert finding is not None, rehearsal.findings
    assert "returns to the instruction that faults" in finding.what
    assert rehearsal.outcome == "fails"


def test_a_handler_behind_a_table_that_moved_may_be_its_own() -> None:
    """That vectors share a handler is said of the table that the core uses, in RAM too."""
    program, _ = ENDINGS["stays-in-handler"]
    finding = run(store(0xE000_ED08, hex(FLASH)) + program, "", handler=HANG).finding("stays-in-handler")
    assert finding is not None
    assert "since" in finding.what
    moved = store(0xE000_ED08, "0x38000200") + store(0x3800_0200 + 4 * 21, hex(FLASH + 0x801))
    finding = run(moved + program, "", handler=HANG).finding("stays-in-handler")
    assert finding is not None
    assert finding.what.endswith("for interrupt 5")
    copied = (
        moved
        + store(0x3800_0200 + 4 * 22, hex(FLASH + 0x801))
        + store(0x3800_0200 + 4 * 23, hex(FLASH + 0x801))
    )
    finding = run(copied + program, "", handler=HANG).finding("stays-in-handler")
    assert finding is not None
    assert finding.what.endswith("since no handler of its own is linked (3 vectors share this one)")


def test_every_fatal_kind_is_reached_by_a_test() -> None:
    """No end that a core can come to is without a test that brings a core there."""
    tests = "".join(file.read_text(encoding="utf-8") for file in Path(__file__).parent.rglob("*.py"))
    assert [kind for kind in sorted(FATAL) if f'"{kind}"' not in tests] == []


@pytest.mark.parametrize(("branch", "register"), [("bxns", "r0"), ("blxns", "r3")])
def test_a_branch_that_may_leave_secure_state(branch: str, register: str) -> None:
    """With bit 0 of the target clear nothing is known of what follows; with bit 0 set it is a plain branch."""
    goes = f"ldr {register}, =0x10002000\n {branch} {register}\n"
    left = run(ALL_NON_SECURE + goes + SLEEP, "", handler=HANG)
    finding = left.finding("leaves-secure-state")
    assert finding is not None
    assert finding.found == f"{branch.upper()} {register}, to 0x1000_2000 (in build station)"
    stays = f"adr {register}, 1f\n adds {register}, #1\n {branch} {register}\n .align 2\n1: movs r5, #7\n"
    stayed = run(stays + result("r5") + SLEEP, "", handler=HANG)
    assert stayed.finding("leaves-secure-state") is None
    assert stayed.shared_memory["link"][0] == 7


NON_SECURE_CALL = """typedef void __attribute__((cmse_nonsecure_call)) (*callee)(uint32_t);
void scenario(void)
{
    REG(0xE000EDD0) = 2;
    while (!LINK->sampler_done) { }
    say("first");
    ((callee)0x10002000)(7);
    say("never");
}
"""


@pytest.mark.parametrize("goal", ["first", "done"])
@pytest.mark.parametrize(("compiler", "level"), [("gcc", "-O0"), ("gcc", "-O2"), ("clang", "-O1")])
def test_a_compiled_call_of_non_secure_code(compiler: str, level: str, goal: str, builder: Builder) -> None:
    """What the compiler makes of ``cmse_nonsecure_call``: no verdict, with instruction and target, after the goals."""
    station = Source(NON_SECURE_CALL, (), compiler, (level, "-mcmse"))
    case = Case("call", "endings", station, Source(), layout=(("station: done", f"station: {goal}"),))
    left = product_of(case, builder.build(case)).rehearse()
    assert left.texts["station"] == "station: up\nstation: first\n"
    assert left.outcome == ("passes" if goal == "first" else "no verdict"), left.findings
    for finding in left.findings:
        assert finding.found.startswith("BLXNS r")
        assert ", to 0x1000_2000" in finding.found


@pytest.mark.parametrize(("texts", "outcome"), [("A", "passes"), ("AB", "passes"), ("ABC", "no verdict")])
def test_goals_that_come_before_non_secure_state_decide(texts: str, outcome: str) -> None:
    """What comes after the last goal is not asked, be the line of its text whole or not; it is a note."""
    goals = "".join(f'[[rehearsal.goal]]\ncore = "station"\ntext = "{each}"\n' for each in texts)
    sends = "".join(store(0x5020_0000, str(ord(each))) for each in "AB")
    serial = '[[rehearsal.serial]]\nat = 0x5020_0000\nname = "serial"\n'
    started = store(VECTORS, "0x10008000") + store(CONTROL, "0")
    goes = ALL_NON_SECURE + "ldr r3, =0x10002000\n blxns r3\n"
    left = run(started + sends + goes + SLEEP, serial + goals, handler=HANG)
    assert left.outcome == outcome, left.findings
    assert [each.kind for each in left.findings] == ["leaves-secure-state"] * (outcome != "passes")
    said = "after the last goal, core station goes to Non-secure state, which the rehearsal does not follow"
    assert (said in left.notes) is (outcome == "passes")


def test_the_place_of_a_goal_is_the_store_that_sends_its_last_character() -> None:
    """Not where the core came from before: in the timeline stands the function that sends it."""
    serial = '[[rehearsal.serial]]\nat = 0x5020_0000\nname = "serial"\n'
    goal = '[[rehearsal.goal]]\ncore = "station"\ntext = "A"\n'
    reached = run("b 4f\n .org 0xC0\n4: " + store(0x5020_0000, "65") + SLEEP, serial + goal)
    (event,) = [each for each in reached.events if each.kind == "goal"]
    assert event.place is not None
    assert 0x1000_04C0 <= event.place.address < 0x1000_04D0


OPEN = region(0, 0x1000_0000, 0x1003_FFFF, 3, 0) + region(1, 0x3800_0000, 0x3800_7FFF, 1, 1)
AT = f"ldr r0, ={CLOSED:#x}\n"
USER = "movs r1, #1\n msr control, r1\n isb\n"
CLOSED_BY = {
    "no region": ("", AT + "ldr r1, [r0]\n", "which no region holds (the background region is off)"),
    "the background region": (
        store(0xE000_ED94, "5"),
        USER + AT + "ldr r1, [r0]\n",
        "which no region holds (the background region is for privileged code)",
    ),
    "a region to read": (
        region(2, 0x3801_0100, 0x3801_01FF, 2, 1),
        AT + "ldr r1, [r0]\n str r1, [r0]\n",
        "in region 2, 0x3801_0100..0x3801_01FF, which allows privileged code reading;",
    ),
    "a region for privileged code": (
        region(5, 0x3801_0100, 0x3801_011F, 0, 1),
        AT + "str r1, [r0]\n" + USER + "str r1, [r0]\n",
        "in region 5, 0x3801_0100..0x3801_011F, which allows unprivileged code nothing;",
    ),
    "the second half of a word": (
        region(2, 0x3801_00E0, 0x3801_00FF, 1, 1),
        AT + "subs r0, #2\n ldr r1, [r0]\n",
        "which no region holds (the background region is off)",
    ),
    "regions that overlap": (
        region(2, 0x3801_0100, 0x3801_01FF, 1, 1) + region(3, 0x3801_0000, 0x3801_011F, 1, 1),
        AT + "ldr r1, [r0, #32]\n ldr r1, [r0]\n",
        "which regions 2 and 3 both hold: overlapping regions close it;",
    ),
    "a region that is not executed": (
        "",
        "ldr r6, =0x38000001\n bx r6\n",
        "in region 1, 0x3800_0000..0x3800_7FFF, which allows privileged code reading and writing;",
    ),
    "nothing": (region(2, 0x3801_0100, 0x3801_01FF, 1, 1), AT + "ldr r1, [r0]\n str r1, [r0, #4]\n", ""),
    "nothing, by regions that touch": (
        region(2, 0x3801_0100, 0x3801_011F, 1, 1) + region(3, 0x3801_0120, 0x3801_013F, 1, 1),
        AT + "adds r0, #30\n ldr r1, [r0]\n",
        "",
    ),
}


@pytest.mark.parametrize("name", CLOSED_BY)
def test_which_region_closes_an_address(name: str) -> None:
    """The region with its addresses and what it allows, that none holds the address, or that two do."""
    regions, program, said = CLOSED_BY[name]
    on = "" if "0xe000ed94" in regions else PROTECTION_ON
    rehearsal = run(OPEN + regions + on + program + SLEEP, "", handler=HANG)
    found = [each.found for each in rehearsal.findings if each.kind.startswith("protected-")]
    assert bool(found) is bool(said), rehearsal.findings
    assert not said or said in f"{found[0]};"


@pytest.mark.parametrize(
    ("before", "longest", "faults"), [(1, 8, True), (3, 8, True), (4, 8, False), (3, 3, False)]
)
def test_accesses_that_reach_into_what_is_closed(
    before: int, longest: int, faults: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A word that begins in an open region and ends in none: looked at from ``MAX_ACCESS`` bytes in front on."""
    monkeypatch.setattr(protected_access, "MAX_ACCESS", longest)
    regions = OPEN + region(2, 0x3801_00E0, 0x3801_00FF, 1, 1) + PROTECTION_ON
    found = run(regions + AT + f"subs r0, #{before}\n str r4, [r0]\n" + SLEEP, "", handler=HANG)
    assert (found.finding("protected-write") is not None) is faults


def attributed(number: int, start: int, last: int, flags: int = 1) -> str:
    """Code that sets a region of the security attribution unit."""
    limit = last & ~0x1F | flags
    return store(0xE000_EDD8, str(number)) + store(0xE000_EDDC, hex(start)) + store(0xE000_EDE0, hex(limit))


ATTRIBUTION_ON = store(0xE000_EDD0, "1")
ATTRIBUTIONS = {
    "off": ("", "is off, and gives everything to Secure state"),
    "off, and left to the device": (ALL_NON_SECURE, ""),
    "set, and not on": (
        attributed(0, 0x1000_2000, 0x1000_2FFF),
        "is off, and gives everything to Secure state",
    ),
    "a region": (attributed(0, 0x1000_2000, 0x1000_2FFF) + ATTRIBUTION_ON, ""),
    "the last region": (attributed(7, 0x1000_0000, 0x1000_201F) + ATTRIBUTION_ON, ""),
    "a region of gateways": (attributed(1, 0x1000_2000, 0x1000_201F, 3) + ATTRIBUTION_ON, ""),
    "none": (ATTRIBUTION_ON, "no region of the security attribution unit holds it"),
    "the region after": (attributed(0, 0x1000_2020, 0x1000_2FFF) + ATTRIBUTION_ON, "no region of"),
    "a region that is not enabled": (
        attributed(0, 0x1000_2000, 0x1000_2FFF, 0) + ATTRIBUTION_ON,
        "no region of",
    ),
    "two regions": (
        attributed(0, 0x1000_2000, 0x1000_2FFF) + attributed(3, 0x1000_0000, 0x1000_FFFF) + ATTRIBUTION_ON,
        "regions 0 and 3 of the security attribution unit overlap there",
    ),
}


@pytest.mark.parametrize("name", ATTRIBUTIONS)
def test_an_entry_to_non_secure_state_at_what_is_secure(name: str) -> None:
    """What the unit keeps Secure the device cannot give away (DDI 0553, "SecurityCheck", from memory)."""
    sets, why = ATTRIBUTIONS[name]
    rehearsal = run(sets + "ldr r3, =0x10002000\n bxns r3\n" + SLEEP, "", handler=HANG)
    finding = rehearsal.finding("invalid-entry" if why else "leaves-secure-state")
    assert finding is not None
    assert why in finding.found
    assert rehearsal.outcome == ("fails" if why else "no verdict")


@pytest.mark.parametrize("branch", ["bx r1", "blx r1", "push {r1}\n pop {pc}"])
@pytest.mark.parametrize(("target", "said"), [("0xFEFFFFFF", True), ("0xFEFFFFF1", False)])
def test_a_return_to_secure_state_that_nothing_called(branch: str, target: str, said: bool) -> None:
    """The value is named as what it is; one near it is an address of no code."""
    finding = run(f"ldr r1, ={target}\n {branch}\n" + SLEEP, "", handler=HANG).finding("fetch-outside-code")
    assert finding is not None
    assert ("0xFEFF_FFFF (FNC_RETURN)" in finding.found) is said
    assert ("returns to Secure state, which no function was called from" in finding.what) is said


RETURNS = {
    0xFFFF_FFB8: "bad-exception-return",  # of Non-secure state's exception, which is not active
    0xFFFF_FFF8: "bad-exception-return",
    0xFFFF_FFB9: "leaves-secure-state",
    0xFFFF_FFD9: "bad-exception-return",  # with the callee's registers and no integrity signature
    0xFFFF_FFF9: "",
}


@pytest.mark.parametrize("link", RETURNS)
def test_returns_that_say_which_state_they_are_of(link: int) -> None:
    """Bits 0, 5 and 6 of the link value of a Secure exception (DDI 0553, "EXC_RETURN", from memory)."""
    status = (
        "ldr r3, =0xE000EDE4\n ldr r3, [r3]\n lsls r3, r3, #8\n ldr r1, =0xE000ED28\n ldrh r1, [r1, #2]\n"
    )
    in_fault = (
        "mrs r0, ipsr\n cmp r0, #3\n bne 5f\n" + status + "orrs r3, r1\n" + result("r3") + "2: b 2b\n5:\n"
    )
    program = result("r4") + "svc #0\n movs r5, #9\n" + result("r5") + SLEEP
    rehearsal = run(program, "", handler=in_fault + f"ldr lr, ={link:#x}\n")
    kind = RETURNS[link]
    assert [each.kind for each in rehearsal.findings if each.kind in (FATAL | UNJUDGED)] == [kind][
        : len(kind)
    ]
    invalid_return = {0xFFFF_FFD9: 0x200}.get(link, 4)
    assert word(rehearsal) == (invalid_return if kind == "bad-exception-return" else 0 if kind else 9)


@pytest.mark.parametrize("pends", [True, False])
def test_an_interrupt_that_was_given_to_non_secure_state(pends: bool) -> None:
    """Where it is taken, nothing is known of what follows; one that does not come is a note."""
    program = store(0xE000_E380, "0x20") + store(0xE002_ED08, "0x10002000") + enabled(5)
    rehearsal = run(program + (store(0xE000_E200, "0x20") if pends else "") + SLEEP, "", handler=HANG)
    finding = rehearsal.finding("leaves-secure-state")
    assert (finding is not None) is pends
    assert any("given to Non-secure state (NVIC_ITNS)" in note for note in rehearsal.notes)
    if finding:
        assert finding.found.startswith("interrupt 5, by NVIC_ITNS, to ")
        assert rehearsal.outcome == "no verdict"


def test_what_the_emulator_cannot_explain_is_no_verdict() -> None:
    """An error of the library's own ends the core, and the rehearsal neither passes nor fails."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(CodeStops, "at_exit", lambda stops: stops._core._failed(unicorn.UC_ERR_MAP, True))
        rehearsal = run("wfi\n" + SLEEP, "")
    assert rehearsal.finding("emulator-error") is not None
    assert rehearsal.outcome == "no verdict"


@pytest.mark.parametrize(
    "link", ["mvn r0, #0xE", "mvn r0, #0x12"], ids=["to handler mode", "to no stack there is"]
)
def test_a_handler_that_answers_each_bad_return_with_another_ends(link: str) -> None:
    """A handler for everything that returns by an impossible link value is stopped and named, soon."""
    program = enabled(5) + store(0xE000_E200, "32") + SLEEP
    rehearsal = run(program, "", handler=f"{link}\n mov lr, r0\n")
    assert not rehearsal.passes
    if link.endswith("0xE"):
        assert rehearsal.finding("bad-exception-return") is not None


ON_PSP = "ldr r0, =0x38004000\n msr psp, r0\n movs r0, #2\n msr control, r0\n isb\n"
FRAMES = {
    "a number written over": (
        "mrs r0, psp\n ldr r1, [r0, #28]\n adds r1, #7\n str r1, [r0, #28]\n",
        "0x0100_0007, of a handler; the link value 0xFFFF_FFFD returns to thread code",
    ),
    "another stack pointer": (
        "mrs r0, psp\n subs r0, #4\n msr psp, r0\n",
        "0x1000_041A, of a handler; the link value 0xFFFF_FFFD returns to thread code",
    ),
    "a handler that was not interrupted": (
        "mvn r0, #0xE\n mov lr, r0\n mrs r0, psp\n ldm r0, {r4-r11}\n push {r4-r11}\n",
        "0x0100_0000, of thread code; the link value 0xFFFF_FFF1 returns to a handler",
    ),
    "the same": ("mrs r0, psp\n ldr r1, [r0, #28]\n str r1, [r0, #28]\n", ""),
}


@pytest.mark.parametrize("name", FRAMES)
def test_a_return_to_a_frame_that_does_not_fit(name: str) -> None:
    """Its address and state are named, where the link value is one that the core could have given."""
    changes, said = FRAMES[name]
    handler = f"mrs r2, ipsr\n cmp r2, #11\n beq 7f\n{HANG}7: {changes}"
    rehearsal = run(ON_PSP + "svc #0\n" + enabled(5) + SLEEP, "", handler=handler)
    finding = rehearsal.finding("bad-exception-return")
    assert (finding is not None) is bool(said), rehearsal.findings
    assert finding is None or f"holds xPSR {said}" in finding.found
    assert all(each.kind != "no-idle-state" or not said for each in rehearsal.findings)


WAITS_FOR_SAMPLER = "ldr r0, =0x38010000\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n .ltorg\n"


WROTE = "0x5002_1118 gets 0x0000_000%s, where the bits 0x0000_0002 must be 0x0000_0000"
WRONG_RELEASES = {
    "": "",
    store(CONTROL, "3"): WROTE % 3,
    store(CONTROL, "3") + store(CONTROL, "2"): WROTE % 2,
}


@pytest.mark.parametrize("writes", WRONG_RELEASES)
def test_a_core_that_waits_for_one_that_is_never_released(writes: str) -> None:
    """That the other core is never released is the cause: the wait for what it would write follows."""
    cleared = "ldr r0, =0x38010000\n str r4, [r0]\n"
    rehearsal = run(cleared + writes + WAITS_FOR_SAMPLER, "")
    (finding,) = rehearsal.findings
    assert finding.kind == "never-released"
    assert finding.what.endswith(WRONG_RELEASES[writes] or "is never released")
    assert "so core station is in an endless loop" in finding.found
    events = [each.kind for each in rehearsal.events]
    assert events.count("control-register") == writes.count("str")


@pytest.mark.parametrize("writes", WRONG_RELEASES)
@pytest.mark.parametrize("ends", [SLEEP, "bkpt #1\n", "1: b 1b\n"])
def test_a_core_that_goes_no_further_after_a_wrong_release(writes: str, ends: str) -> None:
    """Where that the other core is never released follows, the value that its register got is said too."""
    (finding,) = run(writes + ends, "").findings
    assert finding.kind != "never-released"
    assert (
        f"so core sampler is never released{', though ' * bool(writes)}{WRONG_RELEASES[writes]}"
        in finding.found
    )
    right = [
        each.kind
        for each in run(
            store(VECTORS, "0x10008000") + store(CONTROL, "0") + TICKS + SLEEP, "", sampler=TICKS + SLEEP
        ).findings
    ]
    assert right == []


def test_a_word_that_has_its_value_for_one_turn_only() -> None:
    """Two cores count in turns: a value in between is a goal that is reached."""
    odd_or_even = (
        "{0}: ldr r1, [r0]\n lsls r2, r1, #31\n b{1} {0}b\n adds r1, #1\n str r1, [r0]\n b {0}b\n .ltorg\n"
    )
    address = "ldr r0, =0x38010000\n"
    station = address + "str r4, [r0]\n" + odd_or_even.format(1, "ne")
    sampler = address + odd_or_even.format(2, "eq")
    goal = '[[rehearsal.goal]]\ncore = "sampler"\nword = { at = 0x3801_0000, value = 3 }\n'
    release = store(VECTORS, "0x10008000") + "ldr r0, =0x38010000\n str r4, [r0]\n" + store(CONTROL, "0")
    rehearsal = run(release + station, goal, sampler=sampler)
    assert rehearsal.passes, rehearsal.findings


BRIEFLY = {
    "a word": ("str r1, [r0]", True),
    "its lower half": ("strh r1, [r0]", True),
    "a byte, of others that are right": ("movs r1, #1\n strb r1, [r0, #1]", True),
    "bytes of it and of what follows": ("lsls r1, #16\n str r1, [r0, #-2]", True),
    "the word after it": ("str r1, [r0, #4]", False),
    "a byte that does not make it": ("strb r1, [r0]", False),
}


@pytest.mark.parametrize("name", BRIEFLY)
def test_a_word_that_has_its_value_for_one_instruction(name: str) -> None:
    """The write that reaches a goal is named, whatever is written next; one that does not shows what the word holds."""
    written, reached = BRIEFLY[name]
    program = (
        f"ldr r0, =0x38010010\n movs r1, #3\n str r1, [r0]\n ldr r1, =0x103\n {written}\n str r4, [r0]\n"
    )
    goal = '[[rehearsal.goal]]\ncore = "station"\nword = { at = 0x3801_0010, value = 0x103 }\n'
    release = store(VECTORS, "0x10008000") + store(CONTROL, "0")
    rehearsal = run(release + program + SLEEP, goal, sampler=SLEEP)
    assert rehearsal.passes is reached, rehearsal.findings
    if reached:
        (event,) = [each for each in rehearsal.events if each.kind == "goal"]
        assert event.place is not None
    else:
        (finding,) = rehearsal.findings
        assert finding.found.endswith("; the word holds 0x0000_0000")


def test_the_calls_before_a_reset_are_over() -> None:
    """What a core called before it reset the device led to nothing after that."""
    program = "bl 2f\n nop\n2: " + store(0xE000_ED0C, "0x05FA0004") + "3: b 3b\n .ltorg\n"
    (finding,) = run(program, "", exact=True).findings
    assert finding.kind == "reset-requested"
    assert len(finding.calls) == 1


POLLS = "ldr r0, ={0}\n str r4, [r0]\n1: ldr r1, [r0]\n cmp r1, #0\n {1} beq 1b\n .ltorg\n"
BESIDE = result("r4") + store(VECTORS, "0x10008000") + store(CONTROL, "0") + TICKS + SLEEP
BESIDE_TICKS = {
    "turns round": ("1: b 1b\n", "endless-loop", "neither a device register nor RAM"),
    "waits for a word of its own": (POLLS.format("0x38009000", ""), "endless-loop", "it reads 0x3800_9000"),
    "waits for an event and that": (
        POLLS.format("0x38009000", "wfe\n"),
        "endless-loop",
        "it reads 0x3800_9000",
    ),
    "waits for a shared word": (
        POLLS.format("0x38010010", ""),
        "no-idle-state",
        "0x3801_0010 (in area link) again and",
    ),
    "waits for a register": (POLLS.format("0x50200040", ""), "waits-for-register", "reads zero for ever"),
    "computes": ("1: adds r4, #1\n b 1b\n", "no-idle-state", "instructions executed"),
    "sleeps": (SLEEP, "no-wake-up-source", "no interrupt enabled"),
    "sleeps below its mask": (
        store(0xE000_E404, "0x8000") + enabled(5) + "movs r1, #64\n msr basepri, r1\n" + SLEEP,
        "no-wake-up-source",
        "no interrupt enabled that can come",
    ),
    "sleeps and can be woken": (enabled(5) + SLEEP, "", ""),
    "ticks itself": (TICKS + SLEEP, "", ""),
    "turns round under ticks": (TICKS + "1: b 1b\n", "", ""),
}


@pytest.mark.parametrize("name", BESIDE_TICKS)
def test_a_core_beside_one_that_goes_on(name: str) -> None:
    """A kernel that counts its ticks is never in the same state again: the other core's hang is named all the same."""
    sampler, kind, said = BESIDE_TICKS[name]
    rehearsal = run(BESIDE, "", handler=TICK_COUNTS, sampler=sampler, budget=200_000)
    assert [(each.kind, each.core) for each in rehearsal.findings] == ([(kind, "sampler")] if kind else [])
    assert all(said in each.found for each in rehearsal.findings)
    assert rehearsal.outcome == ("fails" if kind else "started")
    assert ("with every core idle or open to interrupts" in rehearsal.ended) is (not kind)
    goal = '[[rehearsal.goal]]\ncore = "station"\nword = { at = 0x3801_0010, value = 3 }\n'
    with_goal = run(BESIDE, goal, handler=TICK_COUNTS, sampler=sampler, budget=200_000)
    assert with_goal.outcome == "fails"
    if not kind:
        assert "core station sleeps between ticks" in with_goal.findings[0].found


def waits_in_a_call(address: int, goals: str, sampler: str = TICKS + SLEEP) -> Rehearsal:
    """Both cores tick and count; the station polls a word in its handler of SVC, which holds its ticks off."""
    handler = TICK_COUNTS + POLLS.format(hex(address), "")
    program = store(VECTORS, hex(SAMPLER)) + store(CONTROL, "0") + TICKS + "svc 0\n" + SLEEP
    return run(result("r4") + program, goals, handler=handler, sampler=sampler, budget=LONG + 200_000)


SHARED_WORD, OWN_WORD = 0x3801_0010, 0x3800_1000
GOALS = "".join(
    f'[[rehearsal.goal]]\ncore = "{core}"\nword = {{ at = 0x3801_0020, value = 3 }}\n'
    for core in ("station", "sampler")
)


def test_a_handler_that_waits_for_another_core_is_not_the_cause() -> None:
    """With goals the core that never writes the word is named; without them the handler is, with what it reads."""
    (sampler,) = waits_in_a_call(SHARED_WORD, GOALS).findings
    assert (sampler.kind, sampler.core) == ("goal-not-reached", "sampler")
    assert "core sampler sleeps between ticks" in sampler.found
    assert "; so core station waits: it reads 0x3801_0010 (in area link) again and again" in sampler.found
    of_station, _, _ = GOALS.rpartition("[[rehearsal.goal]]")
    (station,) = waits_in_a_call(SHARED_WORD, of_station).findings
    assert "it reads 0x3801_0010 (in area link) again and again, which another core is" in station.found
    assert station.next_step.startswith("see why the other core does not write what ends that")
    (stays,) = waits_in_a_call(SHARED_WORD, "").findings
    assert (stays.kind, stays.core) == ("stays-in-handler", "station")
    assert "; it reads 0x3801_0010 (in area link) again and again" in stays.found


def test_goals_of_one_core_are_one_finding() -> None:
    """Each is named, with what its word holds."""
    goal = '[[rehearsal.goal]]\ncore = "sampler"\nword = {{ at = 0x3801_00{}, value = 3 }}\n'
    (finding,) = waits_in_a_call(SHARED_WORD, goal.format(20) + goal.format(24)).findings
    labels = [f"the word at 0x3801_00{low} becomes 0x0000_0003" for low in (20, 24)]
    assert finding.what == f"2 goals were not reached: {labels[0]}, and {labels[1]}"
    assert finding.expected == ", and ".join(labels)
    assert "; the words hold 0xF8E7_D6C5, 0xF8E7_D6C5" in finding.found


def test_a_handler_that_waits_for_a_word_of_its_own_core_is_the_cause() -> None:
    """Nobody else writes that word."""
    (stays,) = waits_in_a_call(OWN_WORD, GOALS).findings
    assert (stays.kind, stays.core) == ("stays-in-handler", "station")
    assert "it reads" not in stays.found


def test_a_handler_that_waits_for_another_core_that_writes_later() -> None:
    """The word comes after a long time: both go on."""
    delay = "ldr r2, =300000\n3: subs r2, #1\n bne 3b\n"
    three = "movs r3, #3\n ldr r0, =0x38010010\n str r3, [r0]\n str r3, [r0, #0x10]\n"
    assert waits_in_a_call(SHARED_WORD, GOALS, sampler=TICKS + delay + three + SLEEP).passes


def test_when_a_core_sent_its_last_line() -> None:
    """A goal that is not reached says since when no more text came; nothing where there was none."""
    serial = f"[[rehearsal.serial]]\nat = 0x50200000\n{GOALS}"
    sends = store(0x5020_0000, "0x48") + store(0x5020_0000, "0x0a")
    program = BESIDE.replace(TICKS, sends + TICKS)
    findings = run(program, serial, handler=TICK_COUNTS, sampler=enabled(5) + SLEEP, budget=200_000).findings
    found = {each.core: each.found for each in findings}
    assert '; it sent its last line, "H", at instruction' in found["station"]
    assert "last line" not in found["sampler"]


def test_the_longest_circle_of_a_core_while_the_other_ticks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A loop of ``MAX_CIRCLE`` instructions is named as one; a core in a longer one is said to be busy."""
    monkeypatch.setattr(loop_probe, "MAX_CIRCLE", 9)
    for count, kind in ((9, "endless-loop"), (10, "no-idle-state")):
        sampler = "1: " + "nop\n" * (count - 1) + "b 1b\n"
        rehearsal = run(BESIDE, "", handler=TICK_COUNTS, sampler=sampler, budget=100_000)
        assert [each.kind for each in rehearsal.findings] == [kind]


YIELDS = "1: ldr r0, =0xE000ED04\n ldr r1, =0x10000000\n str r1, [r0]\n dsb\n isb\n b 1b\n .ltorg\n"
SOON = store(0xE000_ED20, "0x40FF0000") + store(0xE000_E014, "0x3FF") + store(0xE000_E010, "7")
POLLS_SHARED = POLLS.format("0x38010010", "{}")


@pytest.mark.parametrize("way", ["1: b 1b\n", YIELDS])
@pytest.mark.parametrize("other", [SLEEP, POLLS_SHARED.format(""), POLLS_SHARED.format("yield\n")])
def test_a_core_whose_ticks_change_nothing(way: str, other: str) -> None:
    """It has a goal to reach, so that it is named, soon, and not the core that polls; no handler that returns is."""
    release = store(VECTORS, "0x10008000") + store(CONTROL, "0")
    goal = '[[rehearsal.goal]]\ncore = "station"\nword = { at = 0x3801_0004, value = 3 }\n'
    rehearsal = run(release + SOON + way, goal, sampler=other, budget=5_000_000)
    assert rehearsal.ended.startswith("the whole device is in a state"), rehearsal.ended
    assert rehearsal.time < 500_000
    assert [(each.kind, each.core) for each in rehearsal.findings] == [("endless-loop", "station")]
    assert "tick interrupts come, and change nothing" in rehearsal.findings[0].found


@pytest.mark.parametrize("budget", range(200_000, 200_006))
def test_a_core_that_waits_for_a_ticking_one_is_in_no_endless_loop(budget: int) -> None:
    """Wherever in its loop the budget ends: the other core may write what it polls."""
    goal = '[[rehearsal.goal]]\ncore = "sampler"\nword = { at = 0x3801_0010, value = 3 }\n'
    sampler = POLLS_SHARED.format("yield\n")
    rehearsal = run(BESIDE, goal, handler=TICK_COUNTS, sampler=sampler, budget=budget)
    assert [each.kind for each in rehearsal.findings] == ["goal-not-reached"]


@pytest.mark.parametrize(
    "goal", ["", '[[rehearsal.goal]]\ncore = "sampler"\nword = { at = 0x3801_0010, value = 3 }\n']
)
@pytest.mark.parametrize(
    ("mask", "budget", "said"),
    [
        (
            "movs r1, #64\n msr basepri, r1\n nop\n",
            2 * LONG,
            "masked by BASEPRI 0x40, as its priority is 0x40",
        ),
        ("cpsid i\n", 2 * LONG, "masked by PRIMASK (CPSIE i lets it be taken)"),
        ("cpsid i\n", LONG // 2, ""),
        ("movs r1, #96\n msr basepri, r1\n nop\n", 2 * LONG, ""),
    ],
)
def test_a_core_at_work_that_left_its_tick_masked(goal: str, mask: str, budget: int, said: str) -> None:
    """It works on, and its tasks never change: what is pending for ``LONG`` and masked is named, by its mask."""
    sampler = TICKS + mask + "1: adds r4, #1\n b 1b\n"
    rehearsal = run(BESIDE, goal, handler=TICK_COUNTS, sampler=sampler, budget=budget)
    found = [each for each in rehearsal.findings if "SysTick is pending and" in each.found]
    if not said:
        assert not found
        return
    assert found == list(rehearsal.findings)
    assert found[0].found.endswith(f"; SysTick is pending and {said}")
    if goal:
        assert found[0].next_step == "let SysTick be taken, or allow more instructions (--budget)"
    else:
        assert found[0].what.endswith("is still busy when the budget ends, and takes no interrupt")


def test_a_core_that_polls_its_tick_below_a_mask_and_sleeps() -> None:
    """It lets no interrupt in for long, but sleeps until one comes, and takes it back itself: an idle state."""
    serves = store(0xE000_ED04, "0x02000000")
    sampler = "cpsid i\n" + TICKS + "1: wfi\n" + serves + "b 1b\n .ltorg\n"
    rehearsal = run(BESIDE, "", handler=TICK_COUNTS, sampler=sampler, budget=2 * LONG)
    assert rehearsal.outcome == "started", rehearsal.findings


UNSET = "ldr r0, =0x38002000\n ldr r0, [r0]\n"
FROM_UNSET = {
    "a read": (UNSET + "ldrb r1, [r0]\n", "unmapped-read", True),
    "a write of a member": (UNSET + "str r1, [r0, #0x2C]\n", "unmapped-write", True),
    "the last member": (
        UNSET + f"ldr r1, ={MAX_MEMBER_DISTANCE - 1}\n ldrb r1, [r0, r1]\n",
        "unmapped-read",
        True,
    ),
    "one further": (UNSET + f"ldr r1, ={MAX_MEMBER_DISTANCE}\n ldrb r1, [r0, r1]\n", "unmapped-read", False),
    "a call": (UNSET + "blx r0\n", "fetch-outside-code", True),
    "a call of what is set": ("ldr r0, =0xF0001001\n blx r0\n", "fetch-outside-code", False),
}


@pytest.mark.parametrize("name", FROM_UNSET)
def test_a_pointer_that_nobody_set_is_named_as_that(name: str) -> None:
    """RAM that was never written reads as one word: its address is a variable that was not cleared or set."""
    program, kind, named = FROM_UNSET[name]
    finding = run(program + SLEEP, "", handler=HANG).finding(kind)
    assert finding is not None
    assert (
        "RAM that no code has written reads 0xF8E7_D6C5, so a pointer was not set" in finding.found
    ) is named
    assert finding.next_step.startswith("set the pointer before") is named
    assert ("[memory.device]" in finding.next_step) is (kind == "unmapped-read" and not named)


@pytest.mark.parametrize("before", [4, MAX_MEMBER_DISTANCE, MAX_MEMBER_DISTANCE + 4])
def test_what_is_in_front_of_a_null_pointer_is_no_device(before: int) -> None:
    """Up to as far as members are; registers are proposed for what is farther away."""
    finding = run(f"ldr r0, =-{before}\n str r0, [r0]\n" + SLEEP, "", handler=HANG).finding("unmapped-write")
    assert finding is not None
    named = before <= MAX_MEMBER_DISTANCE
    assert (f"{before} bytes before address 0, as from a null pointer" in finding.found) is named
    assert finding.next_step.startswith("set the pointer before") is named


def test_an_address_of_vectors_that_nobody_set() -> None:
    """A constant in RAM that start-up code did not copy: what RAM reads is no address to correct."""
    given = UNSET + f"ldr r1, ={VECTORS:#x}\n str r0, [r1]\n" + store(CONTROL, "0") + SLEEP
    finding = run(given, "").finding("released-at-wrong-address")
    assert finding is not None
    assert "RAM that no code has written reads 0xF8E7_D6C5" in finding.found
    assert finding.next_step.startswith("set the pointer before")


HELD_BACK = store(VECTORS, hex(SAMPLER)) + store(CONTROL, "0") + "nop\n nop\n" + store(CONTROL, "2")
AWAITS = "ldr r0, =0x38010000\n str r4, [r0]\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n" + SLEEP
ANSWERS = "ldr r0, =0x38010000\n1: adds r4, #1\n cmp r4, #200\n bne 1b\n str r4, [r0]\n" + SLEEP


def test_waiting_for_a_core_that_was_put_back_into_reset_names_where() -> None:
    """The loop waits for what the other core writes, which code of this one has put back into reset."""
    finding = run(HELD_BACK + AWAITS, "", sampler=ANSWERS).finding("endless-loop")
    assert finding is not None
    assert finding.next_step.startswith(
        "let core sampler run: core station puts it back into reset at 0x1000_0"
    )
    assert "release_mask and release_value in [core.sampler.release]" in finding.next_step
    released = store(VECTORS, hex(SAMPLER)) + store(CONTROL, "0")
    assert run(released + AWAITS, "", sampler=ANSWERS).finding("endless-loop") is None
    silent = run(released + AWAITS, "", sampler=SLEEP).finding("endless-loop")
    assert silent is None or "back into reset" not in silent.next_step


@pytest.mark.parametrize(
    ("top", "room"),
    [
        (0x3801_0000, 0x8000),
        (0x3802_0000, 0x1_8000),
        (0x3800_8000, 0),
        (0x3802_0004, None),
        (0xF8E7_D6C5, None),
        (0x1000_8299, None),
        (None, None),
    ],
)
def test_no_room_is_told_of_a_stack_pointer_from_what_is_no_table(top: int | None, room: int | None) -> None:
    """A core that starts from other words has no stack: how much of one is left is not told."""
    core = SimpleNamespace(stack_top=top, stack_lowest=top)
    windows = (SimpleNamespace(span=Span(FLASH, 0x8_0000)), SimpleNamespace(span=Span(0x3800_0000, 0x2_0000)))
    planned = SimpleNamespace(stack_limit=0x3800_8000, windows=windows)
    assert stack_room(core, planned) == room  # type: ignore[arg-type]


SYST_CSR, SYST_RVR, SCR = 0xE000_E010, 0xE000_E014, 0xE000_ED10
SHORT_TICKS = store(SYST_RVR, "3") + store(SYST_CSR, "7") + SLEEP
PENDS_ITSELF = store(0xE000_E200, "32")
LONG_HANDLER = COUNT + "mov r1, #3000\n2: subs r1, #1\n bne 2b\n"
ENDS_IN_CALL = (
    "mrs r0, ipsr\n cmp r0, #11\n beq 5f\n"
    + COUNT
    + "sub sp, #32\n mov r1, #0x1000000\n str r1, [sp, #28]\n adr r1, 6f\n str r1, [sp, #24]\n movs r1, #0x40\n"
    " msr basepri, r1\n bx lr\n5: add sp, #32\n movs r1, #0\n msr basepri, r1\n bx lr\n .balign 4\n6: nop\n svc 0\n"
)
"""A tick that returns to a frame of its own with a mask set, and a call that drops that and lets ticks come again."""
STORMS = {
    "ticks": (
        SHORT_TICKS,
        COUNT,
        "SysTick: it comes again before its handler returns",
        "SYST_RVR, 0xE000_E014",
    ),
    "ticks that switch tasks": (
        SHORT_TICKS,
        "mrs r0, ipsr\n cmp r0, #15\n bne 1f\n" + store(0xE000_ED04, "0x10000000") + "1: " + COUNT,
        "SysTick: it comes again before its handler returns",
        "SYST_RVR, 0xE000_E014",
    ),
    "a tick with a long handler": (
        store(SYST_RVR, "150") + store(SYST_CSR, "7") + HANG,
        LONG_HANDLER,
        "SysTick: it comes again before its handler returns",
        "SYST_RVR, 0xE000_E014",
    ),
    "a tick that goes on in a supervisor call": (
        store(0xE000_ED20, "0xE0000000") + store(SYST_RVR, "9") + store(SYST_CSR, "7") + HANG,
        ENDS_IN_CALL,
        "SysTick: it comes again",
        "SYST_RVR, 0xE000_E014",
    ),
    "an interrupt": (
        enabled(5) + PENDS_ITSELF + SLEEP,
        COUNT + PENDS_ITSELF,
        "interrupt 5: its source",
        "clear",
    ),
    "a device that repeats": (
        enabled(5) + PENDS_ITSELF + SLEEP,
        PENDS_ITSELF,
        "interrupt 5: its source",
        "clear",
    ),
}


@pytest.mark.parametrize("name", STORMS)
def test_interrupts_that_leave_thread_code_no_time(name: str) -> None:
    """The interrupt is named with what makes it come again: also where the whole device soon repeats itself."""
    program, handler, what, hint = STORMS[name]
    rehearsal = run(program, "", handler=handler, budget=2_000_000)
    finding = rehearsal.finding("interrupt-livelock")
    assert finding is not None, rehearsal.findings
    assert f"does nothing but take {what}" in finding.what
    assert hint in finding.next_step
    assert rehearsal.finding("endless-loop") is None


@pytest.mark.parametrize("sleep", [store(SCR, "2") + "wfi\n" + HANG, "1: wfi\n b 1b\n"])
def test_ticks_that_end_sleep_starve_nobody(sleep: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A core that sleeps between interrupts has no thread code to run, for however long (SCR.SLEEPONEXIT)."""
    monkeypatch.setattr(exceptions, "LIVELOCK", 40)
    goal = '\n[[rehearsal.goal]]\ncore = "station"\nword = { at = 0x3801_0000, value = 90 }\n'
    program = result("r4") + store(SYST_RVR, "99") + store(SYST_CSR, "7") + sleep
    rehearsal = run(program, goal, handler=COUNT)
    assert rehearsal.finding("interrupt-livelock") is None
    assert rehearsal.goals[0].reached


@pytest.mark.parametrize(("handler", "budget"), [(COUNT, 300_000), (LONG_HANDLER, 2_000_000)])
def test_a_core_that_works_in_handlers_alone_is_not_starved(handler: str, budget: int) -> None:
    """With SCR.SLEEPONEXIT there is no thread code to run, also where each tick comes before the last one's return."""
    program = store(SCR, "2") + store(SYST_RVR, "3") + store(SYST_CSR, "7") + "wfi\n" + HANG
    found = {each.kind for each in run(program, "", handler=handler, budget=budget).findings}
    assert found == {"never-released"}  # of the sampler


@pytest.mark.parametrize(("rounds", "starved"), [(3000, True), (12_000, False)])
def test_a_run_that_ends_with_its_budget_has_starved_thread_code_for_long(rounds: int, starved: bool) -> None:
    """Fewer than CHAINED_AT_END exceptions in a row say nothing, and no more do those of less than half of a run."""
    handler = LONG_HANDLER.replace("3000", f"{rounds}")
    program = store(SYST_RVR, "150") + store(SYST_CSR, "7") + HANG
    last = exceptions.CHAINED_AT_END * 2 * 3000
    finding = run(program, "", handler=handler, budget=last + 50_000).finding("interrupt-livelock")
    assert (finding is not None) is starved
    late = f"ldr r1, ={last}\n3: subs r1, #1\n bne 3b\n" + program
    assert run(late, "", handler=handler, budget=3 * last).finding("interrupt-livelock") is None


def test_who_waits_for_a_starved_core_is_not_named_beside_it() -> None:
    """At the end of the budget, without goals: the wait follows from the ticks of the core that would end it."""
    waits = (
        store(0x3801_0010, "0")
        + RELEASE
        + "ldr r0, =0x38010010\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n"
        + SLEEP
    )
    ticks = store(SYST_RVR, "150") + store(SYST_CSR, "7") + HANG
    found = run(waits, "", handler=LONG_HANDLER, sampler=ticks, budget=2_000_000).findings
    assert [(each.kind, each.core) for each in found] == [("interrupt-livelock", "sampler")]


MASKED_TICKS = store(SYST_RVR, "999") + store(SYST_CSR, "7") + "cpsid i\n"
WAITS = {
    "masked ticks that are events": (store(SCR, "16") + MASKED_TICKS + "1: wfe\n b 1b\n", True),
    "the same, cleared": (
        store(SCR, "16") + MASKED_TICKS + "1: wfe\n" + store(0xE000_ED04, "0x2000000") + "b 1b\n .ltorg\n",
        True,
    ),
    "masked ticks": (MASKED_TICKS + "1: wfe\n b 1b\n", False),
    "masked ticks, no wait": (store(SCR, "16") + MASKED_TICKS + "1: b 1b\n", False),
    "nothing enabled": (store(SCR, "16") + "1: wfe\n b 1b\n", False),
}


@pytest.mark.parametrize("name", WAITS)
def test_a_wait_for_an_event_that_may_come(name: str) -> None:
    """An interrupt that becomes pending below its mask is an event (SCR.SEVONPEND; DDI 0403, B1.5.18, from memory)."""
    program, may_end = WAITS[name]
    rehearsal = run(program, "", handler=COUNT)
    finding = rehearsal.finding("no-wake-up-source") or rehearsal.finding("endless-loop")
    assert (finding is None) is may_end
    if finding and "wfe" in program:
        assert finding.kind == "no-wake-up-source"
        assert finding.found.startswith("WFE at 0x1000_04")
        assert code_at(program, finding.found) == b"\x20\xbf"
        masked = "masked by PRIMASK, which do not end it (SCR.SEVONPEND is clear)"
        assert (masked in finding.found) is ("cpsid" in program)
        assert "(SEV)" in finding.next_step


def code_at(program: str, found: str) -> bytes:
    """Two bytes of ``program`` at the address that follows on "at"."""
    at = int(found.split()[2].replace("_", ""), 16) - FLASH - 0x400
    return code_of(ZEROS + program)[at : at + 2]


@pytest.mark.parametrize(
    ("sleep", "code"), [("wfi", b"\x30\xbf"), ("wfi.w", b"\xaf\xf3"), ("nop\n wfi", b"\x30\xbf")]
)
def test_where_a_core_sleeps(sleep: str, code: bytes) -> None:
    """The address is that of WFI, not of what comes after it."""
    program = f"1: {sleep}\n b 1b\n"
    rehearsal = run(program, "", without_release=True)
    finding = rehearsal.finding("no-wake-up-source")
    assert finding is not None
    assert finding.found.startswith("WFI at 0x1000_04")
    assert code_at(program, finding.found) == code
    assert rehearsal.cores[0].place == finding.place


TAKEN_OFTEN = {
    "calls": ("1: svc 0\n b 1b\n", "", "it takes SVCall again and again ("),
    "calls that count": ("1: svc 0\n b 1b\n", COUNT, "it takes SVCall again and again ("),
    "switches": (
        "ldr r0, =0xE000ED04\n ldr r1, =0x10000000\n1: str r1, [r0]\n isb\n b 1b\n .ltorg\n",
        COUNT,
        "it takes PendSV again and again (",
    ),
    "calls now and then": (
        "1: svc 0\n mov r2, #400\n2: subs r2, #1\n bne 2b\n adds r4, #1\n b 1b\n",
        COUNT,
        "",
    ),
    "a few calls": ("svc 0\n svc 0\n svc 0\n1: b 1b\n", COUNT, ""),
    "none": ("1: adds r4, #1\n b 1b\n", COUNT, ""),
}


@pytest.mark.parametrize("name", TAKEN_OFTEN)
def test_a_loop_of_exceptions_is_named(name: str) -> None:
    """A core that does little else than take one says which, in an endless loop as in one that counts."""
    program, handler, says = TAKEN_OFTEN[name]
    findings = run(program, "", handler=handler, without_release=True).findings
    found = next(each for each in findings if each.kind in ("no-idle-state", "endless-loop"))
    assert says in found.found
    assert ("again and again" in found.found) is bool(says)


OWN_LOOPS = {
    "timer off": ("", SYST_CSR, "SysTick is off (bit 0 of SYST_CSR, 0xE000_E010)"),
    "no reload": (store(SYST_CSR, "5"), 0xE000_E018, "its reload value is 0"),
    "another register": ("", 0xE000_ED04, "see what it waits for there"),
}


@pytest.mark.parametrize("name", OWN_LOOPS)
def test_a_loop_over_a_register_of_the_core(name: str) -> None:
    """The register is named, and what keeps the tick timer from changing it."""
    beginning, register, hint = OWN_LOOPS[name]
    loop = f"ldr r0, ={register:#x}\n1: ldr r1, [r0]\n ldr r2, =0x10000\n tst r1, r2\n beq 1b\n" + SLEEP
    finding = run(beginning + loop, "").finding("endless-loop")
    assert finding is not None
    assert f"it reads 0x{register >> 16:04X}_{register & 0xFFFF:04X} (" in finding.found
    assert hint in finding.next_step


FAULTS = {
    "undefined-instruction": ("udf #255\n", "0xDEFF, with which compilers"),
    "bad-exception-return": (enabled(5) + PENDS_ITSELF, "0xFFFF_FF"),
    "fetch-outside-code": ("bx lr\n", "the link register at reset"),
}


EMPTY, NO_HANDLER = 0x1000_7F00, 0x3800_0200
IN_RAM = f"ldr r1, ={NO_HANDLER:#x}\n ldr r0, =0xFFFFFFFF\n str r0, [r1]\n"
FROM_FLASH = "read from erased flash at 0x1000_7F{:02X} ("
BRANCHES = {
    "a table": (f"ldr r0, ={EMPTY:#x}\n ldr r1, [r0, #8]\n movs r2, #1\n blx r1\n", FROM_FLASH.format(8)),
    "a table whose address is lost": (
        f"ldr r0, ={EMPTY:#x}\n ldr r1, [r0, #8]\n movs r0, #1\n blx r1\n",
        "0xFFFF_FFFF, which is what erased flash reads",
    ),
    "a literal": ("ldr r1, 7f\n blx r1\n .align 2\n7: .word 0xFFFFFFFF\n", "0xFFFF_FFFF, read at 0x1000_04"),
    "through the same register": (
        f"ldr r1, ={EMPTY:#x}\n ldr r1, [r1, #4]\n nop\n blx r1\n",
        FROM_FLASH.format(4),
    ),
    "a wide load": (f"ldr r0, ={EMPTY:#x}\n ldr.w r8, [r0, #16]\n blx r8\n", FROM_FLASH.format(16)),
    "two pointers": (
        f"ldr r2, =0x38000300\n ldr r0, ={EMPTY:#x}\n str r0, [r2]\n ldr r1, [r2]\n ldr r1, [r1]\n blx r1\n",
        FROM_FLASH.format(0),
    ),
    "a variable": (IN_RAM + "ldr r3, [r1]\n blx r3\n", "0xFFFF_FFFF, read at 0x3800_0200 ("),
    "a constant": ("ldr r1, =0xFFFFFFFF\n blx r1\n", "0xFFFF_FFFF, which is what erased flash reads"),
    "a number": ("movs r1, #0\n mvns r1, r1\n blx r1\n", "0xFFFF_FFFF, which is what erased flash reads"),
    "by an index": (
        f"ldr r0, ={EMPTY:#x}\n ldr r1, [r0, r4]\n blx r1\n",
        "0xFFFF_FFFF, which is what erased flash reads",
    ),
    "a jump": (
        f"bl 3f\n3: ldr r0, ={EMPTY:#x}\n ldr r1, [r0]\n bx r1\n",
        "0xFFFF_FFFF, which is what erased flash reads",
    ),
    "a return": (
        "bx lr\n",
        "0xFFFF_FFFF, as in the link register at reset, which no call has set, or as erased",
    ),
    "another load after it": (
        f"ldr r0, ={EMPTY:#x}\n ldr r1, [r0]\n ldr r1, =0x38000200\n mvns r1, r4\n blx r1\n",
        "0xFFFF_FFFF, which is what erased flash reads",
    ),
}


@pytest.mark.parametrize("name", BRANCHES)
def test_where_an_erased_word_was_read(name: str) -> None:
    """The word that a call reads in front of it is named; where none is shown, only what it may be."""
    program, found = BRANCHES[name]
    finding = run(program + SLEEP, "", handler=HANG).finding("fetch-outside-code")
    assert finding is not None
    assert finding.found.startswith(found if found.startswith("0x") else f"0xFFFF_FFFF, {found}")


@pytest.mark.parametrize("kind", FAULTS)
def test_what_a_fault_found(kind: str) -> None:
    """A trap of the compiler, a link value, and the link register that nobody set are said to be that."""
    program, found = FAULTS[kind]
    answers = HANG_IN_HARD_FAULT + "mvn r0, #0xE\n mov lr, r0\n"
    finding = run(program + SLEEP, "", handler=answers).finding(kind)
    assert finding is not None
    assert found in finding.found


HELD = f"[[rehearsal.held]]\nat = {DEVICE:#x}\nreset = 0x100\nwritable = 0xF\n"
READS_BACK = f"ldr r0, ={DEVICE:#x}\n ldr r1, ={{0}}\n str r1, [r0]\n ldr r2, [r0]\n1: b 1b\n"


@pytest.mark.parametrize(
    ("value", "lost"), [("0xFFFFFFFF", True), ("0x10F", False), ("0x103", False), ("3", True)]
)
def test_bits_that_a_described_register_does_not_keep(value: str, lost: bool) -> None:
    """A loop that a check of what was written may lead to names the register, what was written and what it reads."""
    found = run(READS_BACK.format(value), HELD, without_release=True).finding("endless-loop")
    assert found is not None
    assert ("correct writable: 0x5020_0000 reads 0x10" in found.next_step) is lost


BELL = """static volatile unsigned rung;
void doorbell_handler(void) { RING_CLEAR = 1; rung = 1; }
void scenario(void) { NVIC_ISER(0) = 1u << DOORBELL; while (!rung) { WAITS } }
"""


@pytest.mark.parametrize("waits", ["", "WFE();"])
@pytest.mark.parametrize("enabled", [True, False])
def test_a_flag_that_only_another_core_has_written(waits: str, enabled: bool, builder: Builder) -> None:
    """It names the interrupt that is enabled and does not come, not "nobody"."""
    code = BELL.replace("WAITS", waits)
    code = code if enabled else code.replace("NVIC_ISER(0) = 1u << DOORBELL; ", "")
    case = Case("bell", "endings", Source(code), Source())
    found = [
        each for each in product_of(case, builder.build(case)).rehearse().findings if each.core == "station"
    ]
    said = [
        each
        for each in found
        if "what core sampler raises enabled: interrupt 6, which does not come" in each.found
    ]
    assert bool(said) is enabled, found
