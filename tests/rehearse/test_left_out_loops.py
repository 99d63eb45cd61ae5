"""Loops that nothing can interrupt or end: their core is left out while the other one goes on, and named."""

from __future__ import annotations

import pytest
from device_programs import DEVICE, SLEEP, enabled, result, run, store
from rehearse.test_endings import CONTROL, TICK_COUNTS, TICKS, VECTORS
from rehearse.test_released_loops import OWN, P, beside_writer

from gemel.rehearsal.emulator import device_run
from gemel.rehearsal.emulator.loop_probe import MAX_CIRCLE

MASKED = "cpsid i\n"
BY_PRIORITY = store(0xE000_ED20, "0x40FF0000") + "movs r0, #0x20\n msr basepri, r0\n"
PENDS = "ldr r0, =0xE000ED04\n ldr r1, =0x10000000\n1: str r1, [r0]\n dsb\n isb\n b 1b\n .ltorg\n"
ENDLESS = {
    "a branch to itself": MASKED + "b .\n",
    "a switch that is masked": MASKED + PENDS,
    "a switch that is masked by its priority": BY_PRIORITY + PENDS,
    "a word of its own": MASKED + OWN + "1: ldr r1, [r2]\n cmp r1, #0\n beq 1b\n b 1b\n",
    "masks again and again": MASKED + "1: mrs r0, primask\n cpsid i\n msr primask, r0\n b 1b\n",
    "with its tick pending": TICKS + MASKED + PENDS,
    "a handler": store(0xE000_ED04, "0x10000000") + "dsb\n isb\n" + SLEEP,
}
ENDS = {
    "what the other core writes": MASKED + P + "1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n",
    "the flag of its timer": store(0xE000_E014, "0x3FFFF")
    + store(0xE000_E010, "5")
    + MASKED
    + "ldr r0, =0xE000E010\n1: ldr r1, [r0]\n lsls r1, r1, #15\n bpl 1b\n",
    "a count of its own": MASKED
    + OWN
    + "ldr r3, =40000\n1: ldr r1, [r2]\n adds r1, #1\n str r1, [r2]\n cmp r1, r3\n bne 1b\n",
    "a window for interrupts": TICKS
    + enabled(5)
    + MASKED
    + "1: cpsie i\n nop\n cpsid i\n ldr r0, =0x38010000\n ldr r1, [r0]\n cmp r1, #2\n blo 1b\n",
}
HANDLER = TICK_COUNTS.replace("bx lr", P + "movs r1, #1\n str r1, [r0]\n bx lr")
IN_PENDSV = "mrs r0, ipsr\n cmp r0, #14\n2: beq 2b\n"
GOAL = '[[rehearsal.goal]]\ncore = "{1}"\nword = {{ at = 0x3801_0020, value = 7 }}\n'
REACHED = "movs r3, #7\n ldr r0, =0x38010020\n str r3, [r0]\n" + SLEEP


@pytest.mark.parametrize("goal", ["", GOAL])
@pytest.mark.parametrize("core", ["station", "sampler"])
@pytest.mark.parametrize("name", ENDLESS)
def test_a_loop_that_nothing_ends_is_left_out(name: str, core: str, goal: str) -> None:
    """The other core ticks to the end of the budget; the loop is found from its first look at such loops on."""
    rehearsal = beside_writer(HANDLER + IN_PENDSV, ENDLESS[name], core, goal)
    (error,) = [each for each in rehearsal.findings if each.severity == "error"]
    kind = "stays-in-handler" if name == "a handler" else "endless-loop"
    assert (error.kind, error.core) == (kind, core)
    (summary,) = [each for each in rehearsal.cores if each.name == core]
    assert summary.state == "running"
    assert summary.instructions < 2 * device_run.FIRST_LOOK_AT_LOOPS + MAX_CIRCLE
    assert rehearsal.shared_memory["link"][0] > 2, "the other core goes on"


@pytest.mark.parametrize("core", ["station", "sampler"])
@pytest.mark.parametrize("name", ENDS)
def test_a_loop_that_ends_is_not(name: str, core: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Interrupts are masked there, too."""
    monkeypatch.setattr(device_run, "FIRST_LOOK_AT_LOOPS", 4096)
    rehearsal = beside_writer(HANDLER, ENDS[name] + REACHED, core, GOAL)
    assert rehearsal.passes, rehearsal.findings


STARTS = store(VECTORS, "0x10008000") + store(CONTROL, "0")
LATER = "ldr r1, =100000\n1: subs r1, #1\n bne 1b\n"
SWITCHED = f"""[[rehearsal.event]]
core = "sampler"
every = 1000
interrupt = 5
enabled_at = {DEVICE:#x}
status_at = {DEVICE + 4:#x}
clear_at = {DEVICE + 4:#x}
"""


@pytest.mark.parametrize("loop", ["b .\n", "1: yield\n b 1b\n"])
def test_a_device_may_be_switched_on_later(loop: str) -> None:
    """The sampler enables its interrupt; the station switches the device on long after the first look."""
    program = store(0x3801_0020, "0") + STARTS + LATER + store(DEVICE, "1") + SLEEP
    handler = REACHED.removesuffix(SLEEP) + store(DEVICE + 4, "1")
    rehearsal = run(
        program,
        SWITCHED + GOAL.format("", "sampler"),
        handler=handler,
        sampler=enabled(5) + loop,
        budget=2_000_000,
    )
    assert rehearsal.passes, rehearsal.findings


@pytest.mark.parametrize("loop", ["str r1, [r0]\n", "str r1, [r0]\n yield\n", "eors r1, r2\n str r1, [r0]\n"])
def test_what_a_loop_writes_may_be_awaited(loop: str) -> None:
    """A sign of life in shared RAM, written again and again: the other core clears it long after, and waits for it."""
    clears = store(0x3801_0010, "0") + "1: ldr r1, [r0]\n cmp r1, #1\n bne 1b\n"
    rehearsal = run(
        store(0x3801_0020, "0") + STARTS + LATER + clears + REACHED,
        GOAL.format("", "station"),
        sampler=f"ldr r0, =0x38010010\n movs r1, #1\n movs r2, #1\n1: {loop} b 1b\n .ltorg\n",
        budget=2_000_000,
    )
    assert rehearsal.passes, rehearsal.findings


THIRD = """[core.third]
role = "secondary"
architecture = "armv8-m.main"
interrupts = 124
ram = ["third-ram"]
[area.third-ram]
memory = "ram"
offset = "72 KiB"
size = "16 KiB"
purpose = "data"
"""


def test_three_cores_do_not_wait_for_each_other_alone() -> None:
    """Two cores poll, and the third is one that the layout does not say how to release: each has its finding."""
    rehearsal = run(
        store(0x3801_0010, "0") + store(0x3801_0014, "0") + STARTS + WAITS_FOR.format("0x38010010"),
        THIRD,
        sampler=WAITS_FOR.format("0x38010014"),
        budget=400_000,
    )
    assert {each.core for each in rehearsal.findings} == {"station", "sampler"}


def test_a_core_that_was_left_out_is_started_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The station puts the sampler back into reset, and releases it."""
    monkeypatch.setattr(device_run, "FIRST_LOOK_AT_LOOPS", 4096)
    waits = "ldr r1, =100000\n1: subs r1, #1\n bne 1b\n"
    starts = store(VECTORS, "0x10008000") + store(CONTROL, "0")
    again = store(0x3801_0010, "1") + store(CONTROL, "2") + starts
    first = "ldr r0, =0x38010010\n ldr r1, [r0]\n cmp r1, #0\n bne 2f\n cpsid i\n b .\n2: " + REACHED
    for program, passes in ((starts + waits + again, True), (starts + waits, False)):
        rehearsal = run(
            result("r4") + store(0x3801_0010, "0") + program + SLEEP,
            GOAL.format("", "sampler"),
            sampler=first,
            budget=600_000,
        )
        assert rehearsal.passes == passes, rehearsal.findings


WAITS_FOR = "ldr r0, ={0}\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n .ltorg\n"


@pytest.mark.parametrize("goal", ["", GOAL])
def test_two_cores_that_wait_for_each_other_are_one_finding(goal: str) -> None:
    """It names both, and what each of them reads."""
    clears = store(0x3801_0010, "0") + store(0x3801_0014, "0")
    starts = store(VECTORS, "0x10008000") + store(CONTROL, "0")
    rehearsal = run(
        clears + starts + WAITS_FOR.format("0x38010010"),
        goal.format("", "sampler"),
        sampler=WAITS_FOR.format("0x38010014"),
    )
    (error,) = rehearsal.findings
    assert error.what.startswith("core station and core sampler wait for each other:")
    assert "core station reads 0x3801_0010" in error.found
    assert "core sampler reads 0x3801_0014" in error.found
    assert error.found.endswith("in 0x1000_840A")


def test_who_waits_for_a_core_in_a_handler_follows_from_it() -> None:
    """The sampler's handler waits for a lock that its own thread code has, and the station for the same one."""
    takes = store(0x3801_0010, "0") + store(0x3801_0010, "1")
    starts = store(VECTORS, "0x10008000") + store(CONTROL, "0")
    rehearsal = run(
        store(0x3801_0014, "0") + starts + WAITS_FOR.format("0x38010014"),
        "",
        handler="ldr r0, =0x38010010\n1: ldr r1, [r0]\n cmp r1, #0\n bne 1b\n",
        sampler=takes + enabled(5) + store(0xE000_E200, "32") + SLEEP,
    )
    (error,) = rehearsal.findings
    assert (error.kind, error.core) == ("stays-in-handler", "sampler")
    assert "so core station is in an endless loop" in error.found
