"""What instructions cost a core and its own timer: what they execute, and never a turn of the cores."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from device_programs import COUNTER, DEVICE, IDLE, RELEASE, SLEEP, TICKS, enabled, result, run, store, word

from gemel.rehearsal import session
from gemel.rehearsal.emulator import schedule

QUIET = "ldr r2, =20000\n1: subs r2, #1\n bne 1b\n"
"""So long that the cores' turns get long."""
POLLS = "ldr r0, =0x38010000\n movs r3, #0\n1: adds r3, #1\n ldr r1, [r0]\n cmp r1, #0\n beq 1b\n"


def test_a_released_core_starts_at_once() -> None:
    """Its first store, which is its ninth instruction, is seen by the third look of four instructions at it."""
    rehearsal = run(
        QUIET + RELEASE + POLLS + "str r3, [r0, #4]\n" + IDLE, "", sampler=store(0x3801_0000, "1") + IDLE
    )
    released, started = rehearsal.event("released"), rehearsal.event("start", "sampler")
    assert released
    assert started
    assert started.time - released.time <= 1
    assert 1 <= struct.unpack("<I", rehearsal.shared_memory["link"][4:8])[0] <= 3


TIMER = 0xE000_E010
ROUNDS = 50
COSTS = {
    "nothing": ("", 0),
    "no operation": ("nop", 1),
    "yield": ("yield", 1),
    "a wait that nothing ends": ("wfe", 1),
    "a wait that an event ends": ("sev\n wfe", 2),
    "a call of the supervisor": ("svc 0", 2),
    "an interrupt that is pended": ("str r5, [r6]\n dsb\n isb", 4),
    "an interrupt of the other core": ("str r5, [r7]\n nop", 2),
}
"""An instruction or several, and how many are executed: its handler is ``bx lr``."""
DOORBELL = f"""[[rehearsal.inter_core_interrupt]]
from = "station"
to = "sampler"
set_at = {DEVICE:#x}
clear_at = {DEVICE + 4:#x}
interrupt = 9
shared_line = true
"""
ANSWERS = (
    enabled(9)
    + f"cpsid i\n ldr r0, ={DEVICE + 4:#x}\n ldr r2, =0xE000E280\n ldr r1, =0x200\n ldr r3, =0x10000000\n"
    + "1: wfi\n str r3, [r0]\n str r1, [r2]\n b 1b\n .ltorg\n"
)
"""Sleeps until it is rung, and clears that at the device and in its own interrupt controller."""


def ticks(code: str, rounds: int) -> int:
    """What the core's own timer counts for that many rounds of some code."""
    program = (
        f"ldr r7, ={DEVICE:#x}\n ldr r6, =0xE000ED04\n ldr r5, =0x10000000\n"
        + f"ldr r2, ={rounds}\n"
        + store(TIMER + 4, "0xFFFFFF")
        + store(TIMER + 8, "0")
        + store(TIMER, "5")
        + f"1: {code}\n subs r2, #1\n bne 1b\n ldr r0, ={TIMER + 8:#x}\n ldr r3, [r0]\n mvns r3, r3\n"
        + "lsls r3, #8\n lsrs r3, #8\n"
        + result("r3")
        + SLEEP
    )
    rehearsal = run(RELEASE + program, DOORBELL, sampler=ANSWERS, budget=600_000)
    assert ("str r5, [r7]" in code) is (rehearsal.event("woken", "sampler") is not None)
    return word(rehearsal)


@pytest.mark.parametrize("name", COSTS)
def test_what_an_instruction_costs(name: str) -> None:
    """As many ticks as instructions are executed."""
    code, cost = COSTS[name]
    assert abs(ticks(code, ROUNDS) - (2 + cost) * ROUNDS) <= 4


def test_a_long_wait_lasts_no_turn() -> None:
    """WFE that nothing ends may last, at most some 256 instructions each."""
    assert 1_000 * 3 < ticks("wfe", 1_000) < 1_000 * 260


COUNTS = "movs r2, #0\n1: adds r2, #1\n b 1b\n"


def test_the_pace_of_the_cores_in_each_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """The usual order has the cores alike; the others have either one slower, by two and by four, and each is tried."""
    paces: list[float] = []
    rehearsed = session._rehearsed

    def noted(*given: Any) -> Any:
        result, raw = rehearsed(*given)
        assert raw is not None
        station, sampler = (each.instructions for each in raw.cores)
        paces.append(station / sampler)
        return result, raw

    monkeypatch.setattr(session, "_rehearsed", noted)
    run(RELEASE + COUNTS, "", sampler=COUNTS, budget=60_000, interleavings=len(schedule.PERIODS))
    assert paces == pytest.approx([1, 0.25, 4, 1, 0.5, 2, 1], rel=0.2)


@pytest.mark.parametrize("later", [0, 1_000, 2_000, 3_000])
def test_a_budget_that_ends_in_the_handler_of_a_slow_core(later: int) -> None:
    """Times of cores are those of the run: a tick that was just taken is no handler that a slower core stays in."""
    handler = f"ldr r0, ={COUNTER:#x}\n ldr r1, [r0]\n adds r1, #1\n str r1, [r0]\n movs r2, #250\n"
    handler += "1: subs r2, #1\n bne 1b\n"
    done = run(RELEASE + TICKS + SLEEP, "", handler, IDLE, budget=2_000_000 + later, interleavings=1)
    assert [each.kind for each in done.findings] == []
