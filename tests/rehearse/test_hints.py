"""What a finding proposes about registers and interrupts that the layout describes, or does not."""

from __future__ import annotations

import pytest
from device_programs import (
    BLOCK,
    COUNTER,
    DEVICE,
    ERASE,
    FLASH,
    GOAL,
    IDLE,
    REACHED,
    RELEASE,
    SAMPLER,
    SLEEP,
    TICKS,
    TIMER,
    UNLOCK,
    enabled,
    example,
    polls,
    result,
    run,
    store,
)

from gemel.spans import format_address
from gemel.text.wrapping import step_lines

COUNTS = f"ldr r0, ={COUNTER:#x}\n ldr r1, [r0]\n adds r1, #1\n str r1, [r0]\n"


DESCRIBED = {
    "waits for zero": (
        f"[[rehearsal.constant]]\nat = {DEVICE:#x}\nvalue = 1\n",
        "cmp r1, #0",
        "0x0",
        "it always reads 0x1",
    ),
    "sequence": (
        f"[[rehearsal.sequence]]\nat = {DEVICE:#x}\nvalues = [0, 1, 2]\n",
        "cmp r1, #3",
        "0x3",
        "it ends with the values 0x0, 0x1, 0x2",
    ),
    "held": (
        f"[[rehearsal.held]]\nat = {DEVICE:#x}\nreset = 0x100\nwritable = 0xF\n",
        "cmp r1, #0x55",
        "0x55",
        "bits 0xF read what code writes, the others 0x100",
    ),
    "set and clear": (
        example("a port with"),
        "tst r1, #2",
        "0x2",
        "code sets by 0x5020_0004 and clears by 0x5020_0008",
    ),
    "ready": (
        example("an oscillator"),
        "tst r1, #0x200",
        "0x200",
        "bits 0x200 read one while bits 0x1 of 0x5020_0000 are set",
    ),
    "event": (
        TIMER.replace(f"status_at = {DEVICE + 4:#x}", f"status_at = {DEVICE:#x}"),
        "tst r1, #1",
        "0x1",
        "bits 0x1 read one every 1,000 instructions while bits 0x1 of 0x5020_0000 are set, until 0x5020_0004 clears",
    ),
    "after a write": (
        f'[[rehearsal.event]]\ncore = "station"\nafter_write = {DEVICE + 8:#x}\nstatus_at = {DEVICE:#x}\n',
        "tst r1, #1",
        "0x1",
        "bits 0x1 read one 100 instructions after a write to 0x5020_0008",
    ),
}


@pytest.mark.parametrize("name", DESCRIBED)
def test_a_loop_over_a_described_register(name: str) -> None:
    """The finding has what ends the loop, and what the layout says of the register."""
    table, until, value, says = DESCRIBED[name]
    finding = run(RELEASE + polls(0, until) + IDLE, table, sampler=IDLE).finding("endless-loop")
    assert finding is not None
    assert f"({value} there ends the loop)" in finding.found
    assert says in finding.next_step


LOOKS_AT_A_WORD = "ldr r0, =0x38009000\n str r4, [r0]\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n .ltorg\n"


@pytest.mark.parametrize(
    "goal", ["", '[[rehearsal.goal]]\ncore = "station"\nword = { at = 0x3801_0004, value = 3 }\n']
)
def test_a_loop_over_a_word_leads_to_goals_where_there_are_none(goal: str) -> None:
    """A core that has done what it is to do at start-up, and polls, is named as that by a goal."""
    finding = run(RELEASE + LOOKS_AT_A_WORD, goal, sampler=IDLE).finding("endless-loop")
    assert finding is not None
    assert finding.next_step.startswith("see what should have written it")
    assert ("[[rehearsal.goal]]" in finding.next_step) is not bool(goal)


INTERRUPTS = {
    "nothing raises it": (
        enabled(7),
        "",
        'add to the layout:\n[[rehearsal.event]]\ncore = "station"\ninterrupt = 7\nevery = 1000 # or after_write',
    ),
    "not enabled": (
        store(DEVICE, "1"),
        TIMER,
        "interrupt 5 was never taken: it is pending, and not enabled (bit 5 of NVIC_ISER0, 0xE000_E100)",
    ),
    "not started": (
        enabled(5),
        TIMER,
        "interrupt 5 was never raised; it comes every 1,000 instructions while",
    ),
    "pended by software": (
        enabled(7) + store(0xE000_E200, "32"),
        "",
        "interrupt 5 was never taken: it is pending, and not enabled (bit 5 of NVIC_ISER0, 0xE000_E100)",
    ),
    "ticks without a reload value": (
        enabled(7) + store(0xE000_E010, "7"),
        "",
        "SysTick stands still: its reload value is 0 (SYST_RVR, 0xE000_E014)",
    ),
    "started by a wrong bit": (enabled(5) + store(DEVICE, "2"), TIMER, "interrupt 5 was never raised"),
}


@pytest.mark.parametrize("name", INTERRUPTS)
@pytest.mark.parametrize("sleeps", ["", "wfi\n"])
def test_an_interrupt_that_does_not_come(name: str, sleeps: str) -> None:
    """A core that waits for its handler is told which interrupt, with the lines to add where nothing raises it."""
    setup, table, hint = INTERRUPTS[name]
    waits = (
        f"ldr r0, ={COUNTER:#x}\n movs r1, #0\n str r1, [r0]\n1: {sleeps}ldr r1, [r0]\n cmp r1, #3\n blo 1b\n"
    )
    program = RELEASE + setup + waits + REACHED
    rehearsal = run(
        program, table + GOAL, handler=COUNTS + store(DEVICE + 4, "1"), sampler=IDLE, budget=200_000
    )
    if sleeps and name == "not enabled":
        finding = rehearsal.finding("no-wake-up-source")
        assert finding is not None
        assert hint in finding.next_step
    else:
        finding = rehearsal.finding("endless-loop" if name == "not enabled" else "goal-not-reached")
        assert finding is not None
        assert hint in finding.next_step
        if "[[" in hint:  # with these lines it comes
            added = "\n".join([table, *step_lines(finding.next_step)[1:], GOAL])
            assert run(program, added, handler=COUNTS, sampler=IDLE, budget=200_000).passes


LOW = store(0xE000_E404, "0x8000")
"""Interrupt 5 has priority 0x80."""
SPIN = f"ldr r0, ={COUNTER:#x}\n movs r1, #0\n str r1, [r0]\n1: ldr r1, [r0]\n cmp r1, #3\n blo 1b\n"
MASKED = {
    "PRIMASK": ("cpsid i\n", "masked by PRIMASK (CPSIE i lets it be taken)"),
    "FAULTMASK": ("cpsid f\n", "masked by FAULTMASK (CPSIE f lets it be taken)"),
    "BASEPRI": (
        LOW + "movs r1, #0x40\n msr basepri, r1\n",
        "masked by BASEPRI 0x40, as its priority is 0x80",
    ),
    "BASEPRI below it": (LOW + "movs r1, #0xA0\n msr basepri, r1\n", ""),
    "a handler": (
        LOW + store(DEVICE, "1") + "svc #0\n",
        "held off by the handler of SVCall, which has priority 0x0; its own is 0x80",
    ),
}


@pytest.mark.parametrize("name", MASKED)
def test_what_masks_an_interrupt(name: str) -> None:
    """One that is enabled and pending is not taken by a mask or a priority: which one, and its own priority."""
    mask, said = MASKED[name]
    program = RELEASE + enabled(5) + mask + store(DEVICE, "1") + SPIN + REACHED
    waits_there = "mrs r0, ipsr\n cmp r0, #11\n1: beq 1b\n"
    counts = COUNTS + store(DEVICE + 4, "1") + waits_there
    rehearsal = run(program, TIMER + GOAL, handler=counts, sampler=IDLE, budget=200_000)
    if not said:
        assert rehearsal.passes
        return
    (finding,) = rehearsal.findings
    assert finding.kind == ("stays-in-handler" if name == "a handler" else "endless-loop")
    assert f"interrupt 5 is pending and {said}" in finding.found
    masked = run(
        RELEASE + LOW + enabled(5) + "movs r1, #64\n msr basepri, r1\n" + store(DEVICE, "1") + SLEEP, TIMER
    )
    assert any("BASEPRI 0x40, as its priority is 0x80" in each.found for each in masked.findings)


SET_UP = store(0xE000_E014, "999")
CONTROL = 0xE000_E010
WORKS = "1: adds r4, #1\n b 1b\n"
UNUSED_TIMERS = {
    "set up and off": (
        SET_UP,
        "SysTick is set up (SYST_RVR is 999), and off (bit 0 of SYST_CSR, 0xE000_E010)",
    ),
    "off again": (SET_UP + store(CONTROL, "4"), "SysTick is set up (SYST_RVR is 999), and off"),
    "counts alone": (
        SET_UP + store(CONTROL, "5"),
        "SysTick counts and does not interrupt (bit 1 of SYST_CSR",
    ),
    "counts beside work": (SET_UP + store(CONTROL, "5") + WORKS, "SysTick counts and does not interrupt"),
    "counts beside work that is not done": (store(0xE000_E014, "0xFFFF") + store(CONTROL, "5") + WORKS, ""),
    "ticks": (SET_UP + store(CONTROL, "7"), ""),
    "ticked, then off": (SET_UP + store(CONTROL, "7") + "wfi\n" + store(CONTROL, "4"), ""),
    "a delay that reads it": (
        SET_UP + store(CONTROL, "5") + "1: ldr r1, [r0]\n lsls r1, #15\n bpl 1b\n" + store(CONTROL, "4"),
        "",
    ),
    "none": ("", ""),
}


@pytest.mark.parametrize("name", UNUSED_TIMERS)
def test_a_tick_timer_that_is_set_up_and_of_no_use(name: str) -> None:
    """It is the reason of a goal that is not reached, and without goals a note: what else wakes the core may do."""
    code, said = UNUSED_TIMERS[name]
    program = RELEASE + enabled(5) + code + SLEEP
    finding = run(program, GOAL, handler=COUNTS, sampler=IDLE).finding("goal-not-reached")
    assert finding is not None
    started = run(program, TIMER, handler=COUNTS, sampler=IDLE)
    for text in (finding.next_step, "\n".join(started.notes)):
        assert said in text
        assert ("SysTick" in text) is bool(said)


def test_an_interrupt_that_comes_is_no_hint() -> None:
    """A goal that is not reached for another reason says nothing of an interrupt that is taken."""
    program = RELEASE + enabled(5) + store(DEVICE, "1") + SLEEP
    finding = run(program, TIMER + GOAL, handler=store(DEVICE + 4, "1"), sampler=IDLE).finding(
        "goal-not-reached"
    )
    assert finding is not None
    assert finding.next_step.startswith("see how it came there")
    assert "interrupt 5" not in finding.next_step


def test_an_interrupt_of_a_device_that_is_not_used_is_no_hint() -> None:
    """A core that neither enables an interrupt nor touches the registers of what raises it does not wait for it."""
    finding = run(RELEASE + SLEEP, TIMER + GOAL, sampler=IDLE).finding("goal-not-reached")
    assert finding is not None
    assert "interrupt 5" not in finding.next_step


LOCKED = store(DEVICE + 0x1C, "0xCDEF89AB") + store(DEVICE + 0x1C, "0x45670123")
BY_REGISTERS = (
    f'[[rehearsal.flash_controller]]\nmemory = "flash"\ncommand_at = {DEVICE:#x}\n'
    f"address_at = {DEVICE + 4:#x}\ndata_at = {DEVICE + 8:#x}\n"
)


@pytest.mark.parametrize(
    ("program", "table", "hint"),
    [
        ("", "", "needs a [[rehearsal.flash_controller]]"),
        (LOCKED + store(DEVICE + 0x10, "1"), example("flash that is unlocked"), "is locked"),
        (UNLOCK + ERASE, example("flash that is unlocked"), "has no command to program"),
        ("", BY_REGISTERS, "programs what is written to its data_at"),
    ],
)
def test_a_store_that_a_described_controller_does_not_take(program: str, table: str, hint: str) -> None:
    """It says what the controller lacks, not that none is described."""
    finding = run(program + store(BLOCK + 8, "5") + SLEEP, table).finding("write-to-flash")
    assert finding is not None
    assert hint in finding.next_step


@pytest.mark.parametrize(
    ("erased", "victim", "by"), [(FLASH, "station", "it"), (SAMPLER, "sampler", "core station")]
)
def test_code_that_was_erased_names_who_erased_it(erased: int, victim: str, by: str) -> None:
    """No instruction is missing, and no pointer is wrong: a command erased what the core goes on with."""
    erase = UNLOCK + store(DEVICE + 0x14, f"{erased + 0x410:#x}") + store(DEVICE + 0x10, "2")
    rehearsal = run(RELEASE + erase + SLEEP, example("flash that is unlocked"), sampler="1: b 1b\n" * 40)
    (finding,) = [each for each in rehearsal.findings if each.core == victim]
    assert finding.kind == "fetch-outside-code"
    assert finding.what == f"core {victim} executes flash that {by} erased"
    block = f"{format_address(erased)}..{format_address(erased + 0xFFF)}"
    assert f"the block {block} was erased at instruction " in finding.found
    assert "by the command at 0x5020_0010, in 0x1000_04" in finding.found
    assert "HardFault vector, so" not in finding.next_step  # which was erased, too
    (event,) = [each for each in rehearsal.events if each.kind == "flash-erased"]
    assert (event.core, event.text) == ("station", f"erases flash, block {block}")


def test_erased_flash_that_nobody_erased() -> None:
    """What is erased from the start is no code: the finding asks for the pointer, though another block was erased."""
    program = UNLOCK + ERASE + f"ldr r0, ={FLASH + 0x7001:#x}\n bx r0\n" + SLEEP
    finding = run(program, example("flash that is unlocked")).finding("fetch-outside-code")
    assert finding is not None
    assert finding.what == "core station executes what is not its code"
    assert finding.next_step.startswith("follow the calls to the pointer")


FLAG_OF_TICKS = f"ldr r0, ={COUNTER:#x}\n1: ldr r1, [r0]\n cmn r1, #1\n bne 1b\n"
UNDER_TICKS = {
    "register": (polls(8, "tst r1, #1"), "waits-for-register", "0x5020_0008"),
    "nothing": (
        "1: b 1b\n",
        "endless-loop",
        "it reads neither a device register nor RAM; its tick interrupts only",
    ),
    "memory": (FLAG_OF_TICKS, "goal-not-reached", "station runs"),
    "described": (polls(4, "tst r1, #1"), "goal-not-reached", "station runs"),
    "its own timer": (
        "ldr r0, =0xE000E010\n1: ldr r1, [r0]\n tst r1, #1\n bne 1b\n",
        "goal-not-reached",
        "station runs",
    ),
}


@pytest.mark.parametrize("name", UNDER_TICKS)
@pytest.mark.parametrize("budget", [60_000, 60_501])
def test_a_loop_under_counting_ticks(name: str, budget: int) -> None:
    """With a goal to reach: a register that nothing describes is named; what a handler could end is no endless loop."""
    loop, kind, said = UNDER_TICKS[name]
    table = f"[[rehearsal.held]]\nat = {DEVICE + 4:#x}\n{GOAL}"
    rehearsal = run(RELEASE + TICKS + loop + REACHED, table, handler=COUNTS, sampler=IDLE, budget=budget)
    (finding,) = rehearsal.findings
    assert finding.kind == kind
    assert said in finding.found + finding.what
    started = run(
        RELEASE + TICKS + loop + REACHED, table.replace(GOAL, ""), handler=COUNTS, sampler=IDLE, budget=budget
    )
    assert [each.kind for each in started.findings] == ([] if kind == "goal-not-reached" else [kind])


def test_polling_under_an_event_that_does_not_interrupt() -> None:
    """A described event goes on for ever; the register that the core waits for is named all the same."""
    program = RELEASE + store(DEVICE, "1") + polls(8, "tst r1, #1") + IDLE
    table = TIMER.replace("every = 1000", "every = 77").replace(f"clear_at = {DEVICE + 4:#x}\n", "")
    finding = run(
        program, table + GOAL, sampler=TICKS + SLEEP, handler=COUNTS.replace("0x38000100", "0x38008100")
    )
    assert finding.finding("waits-for-register") is not None


def test_waiting_for_what_is_masked_takes_of_the_budget() -> None:
    """WFI that a masked interrupt ends at once, again and again: the budget ends before it has executed as much."""
    spins = (
        "cpsid i\n"
        + enabled(5)
        + store(DEVICE, "1")
        + "movs r7, #0\n1: wfi\n adds r7, #1\n"
        + result("r7")
        + "b 1b\n .ltorg\n"
    )
    rehearsal = run(RELEASE + spins, TIMER, sampler=IDLE, budget=500_000)
    assert rehearsal.ended.startswith("the budget of instructions ended")
    assert rehearsal.cores[0].instructions < 100_000


@pytest.mark.parametrize("reads", ["", "ldr r0, =0xE000E010\n ldr r1, [r0]\n"])
def test_ticks_without_interrupts(reads: str) -> None:
    """That the timer only counts is said, unless code reads it: then it counts its ticks without interrupts."""
    program = RELEASE + TICKS + store(0xE000_E010, "5") + reads + "wfi\n" + SPIN + REACHED
    (finding,) = run(program, GOAL, handler=COUNTS, sampler=IDLE, budget=200_000).findings
    assert ("SysTick counts and does not interrupt" in finding.next_step) is not bool(reads)


BRANCHES = COUNTS + "cmp r1, #0\n bne 7f\n movs r1, #1\n7:\n"
"""A handler that may do more at another tick."""
OTHER_WORD = f"ldr r0, ={COUNTER + 4:#x}\n"
FLAGS = {
    "a flag that no handler writes": (
        OTHER_WORD,
        "",
        "0x3800_0104 (in area station-ram of core station) again",
    ),
    "a flag on the stack": (
        "sub sp, #8\n mov r0, sp\n",
        "",
        "0x3800_7FF8 (in area station-ram of core station) again",
    ),
    "a flag that a handler writes": (f"ldr r0, ={COUNTER:#x}\n", COUNTS, ""),
}


@pytest.mark.parametrize("name", FLAGS)
def test_a_flag_that_a_handler_is_to_write(name: str) -> None:
    """A core that spins on a word of its own under ticks: the word, who is to write it, and what was taken."""
    where, clears, said = FLAGS[name]
    spin = "movs r1, #0\n str r1, [r0]\n1: ldr r1, [r0]\n cmp r1, #2\n bne 1b\n"
    rehearsal = run(
        RELEASE + clears + where + TICKS.replace("r0", "r3") + spin + REACHED,
        GOAL,
        handler=BRANCHES,
        sampler=IDLE,
        budget=100_500,
    )
    if not said:
        assert rehearsal.passes, rehearsal.findings
        return
    (finding,) = rehearsal.findings
    assert said in finding.found
    assert "which a handler is to write (taken so far: SysTick)" in finding.found
    assert finding.next_step.startswith("see why a handler does not write what ends that")
