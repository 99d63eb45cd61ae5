"""What a core waits for while interrupts come: bits that a description leaves out, the core's number, or nothing.

With sound siblings: loops that look for work, and cores whose interrupts do it.
"""

from __future__ import annotations

import pytest
from device_programs import (
    COUNTER,
    DEVICE,
    GOAL,
    IDLE,
    REACHED,
    RELEASE,
    SLEEP,
    TICKS,
    TIMER,
    enabled,
    polls,
    run,
    store,
)
from rehearse.test_endings import BESIDE
from rehearse.test_hints import COUNTS

from gemel.rehearsal.emulator import given_up_waits, loop_accesses, offers, runner
from gemel.rehearsal.emulator.released_loops import WINDOWS, _Follower
from gemel.rehearsal.verdict import described
from gemel.text.wrapping import step_lines

REGISTER = "0x5020_0000"
CLEARS = COUNTS + store(DEVICE + 4, "1")
STATUS = f"{DEVICE + 4:#x}"
CLOCK = f"[[rehearsal.ready]]\nat = {DEVICE:#x}\nbits = 0x200\nfollow_at = {DEVICE:#x}\nfollow_bits = 1\n"
LACKING = {
    "an event": (
        TIMER,
        polls(4, "tst r1, #2"),
        "bits 0x2 of register 0x5020_0004",
        f"add to the layout:\n[[rehearsal.constant]]\nat = {STATUS}\nvalue = 0x2 # then it goes on",
    ),
    "an event and a constant": (
        f"{TIMER}[[rehearsal.constant]]\nat = {STATUS}\nvalue = 0x10\n",
        polls(4, "tst r1, #2"),
        "bits 0x2 of register 0x5020_0004",
        f"set value = 0x12 in the [[rehearsal.constant]] at {STATUS} (then it goes on)",
    ),
    "a ready bit": (
        CLOCK + TIMER.replace(f"enabled_at = {DEVICE:#x}\n", ""),
        polls(0, "tst r1, #0x800"),
        "bits 0x800 of register 0x5020_0000",
        f"add to the layout:\n[[rehearsal.held]]\nat = {DEVICE:#x}\nreset = 0x800\nwritable = 0xFFFFF7FF # then",
    ),
    "what is held": (
        f"{TIMER}[[rehearsal.held]]\nat = {DEVICE + 8:#x}\nreset = 0x10\nwritable = 1\n",
        polls(8, "tst r1, #4"),
        "bits 0x4 of register 0x5020_0008",
        f"set reset = 0x14 and writable = 0x1 in the [[rehearsal.held]] at {DEVICE + 8:#x} (then",
    ),
}


@pytest.mark.parametrize("name", LACKING)
@pytest.mark.parametrize("goal", [GOAL, ""])
def test_bits_that_a_description_leaves_out(name: str, goal: str) -> None:
    """The wait, the register and the lines; with these lines the core goes on."""
    table, loop, waits, lines = LACKING[name]
    program = RELEASE + enabled(5) + store(DEVICE, "1") + loop + REACHED
    (finding,) = run(program, table + goal, handler=CLEARS, sampler=IDLE).findings
    assert finding.kind == "waits-for-register"
    assert f"waits for {waits}" in finding.what
    assert lines in finding.next_step
    if finding.next_step.startswith("add"):
        added = run(
            program,
            "\n".join([table, *step_lines(finding.next_step)[1:], GOAL]),
            handler=CLEARS,
            sampler=IDLE,
        )
        assert added.passes, added.findings


ELAPSES = f"ldr r0, ={DEVICE:#x}\n ldr r2, [r0]\n1: ldr r1, [r0]\n subs r3, r1, r2\n cmp r3, #100\n blo 1b\n"
COUNTER_OFFERS = {
    "a counter": (
        ELAPSES,
        "[[rehearsal.sequence]]\nat = 0x50200000\nvalues = [0x0, 0x80]\nrepeat = true # then it goes on",
    ),
    "a status": (
        polls(0, "tst r1, #4"),
        "[[rehearsal.constant]]\nat = 0x50200000\nvalue = 0x4 # then it goes on",
    ),
    "bits one after the other": (
        polls(0, "tst r1, #4")
        + polls(0, "tst r1, #0x80").replace("1", "2")
        + polls(0, "tst r1, #1").replace("1", "3"),
        "[[rehearsal.constant]]\nat = 0x50200000\nvalue = 0x85 # then it goes on",
    ),
    "bits that follow others": (
        store(DEVICE, "1")
        + polls(0, "tst r1, #4")
        + store(DEVICE, "0")
        + polls(0, "tst r1, #4").replace("1", "2").replace("beq", "bne"),
        f"[[rehearsal.ready]]\nat = {DEVICE:#x}\nbits = 0x4\nfollow_at = {DEVICE:#x}\n"
        "follow_bits = 0x1 # then it goes on",
    ),
    "a status that code has to clear": (
        polls(0, "tst r1, #4") + polls(0, "tst r1, #4").replace("1", "2").replace("beq", "bne"),
        "[[rehearsal.sequence]]\nat = 0x50200000\nvalues = [0x0, 0x4]\nrepeat = true # then it goes on",
    ),
    "a value that differs from the last one": (
        f"ldr r0, ={DEVICE:#x}\n ldr r2, [r0, #4]\n1: ldr r1, [r0]\n tst r1, #1\n beq 1b\n"
        " ldr r3, [r0, #4]\n cmp r2, r3\n beq 1b\n",
        f"[[rehearsal.sequence]]\nat = {DEVICE + 4:#x}\nvalues = [0x0, 0x1]\nrepeat = true # then it goes on",
    ),
    "a status that no two values serve": (
        polls(0, "cmp r1, #4")
        + polls(0, "cmp r1, #5").replace("1", "2")
        + polls(0, "cmp r1, #6").replace("1", "3"),
        "[[rehearsal.constant]]\nat = 0x50200000\nvalue = 0x4 # with the bits it waits for",
    ),
}


@pytest.mark.parametrize("name", COUNTER_OFFERS)
def test_what_is_offered_was_tried(name: str) -> None:
    """A loop that compares two reads needs a register that changes; that the core goes on is said where it did."""
    program, lines = COUNTER_OFFERS[name]
    ready = f"[[rehearsal.constant]]\nat = {DEVICE:#x}\nvalue = 1\n" if "differs" in name else ""
    (finding,) = run(RELEASE + program + REACHED, ready + GOAL, sampler=IDLE).findings
    assert finding.kind == "waits-for-register"
    assert lines in finding.next_step
    added = "\n".join([*step_lines(finding.next_step)[1:], ready, GOAL])
    assert run(RELEASE + program + REACHED, added, sampler=IDLE).passes is ("then it goes on" in lines)


def test_how_many_waits_are_tried_as_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of ``MAX_WAITS`` waits for bits of one register all are proposed at once, of more none is said to do."""
    program = RELEASE + polls(0, "tst r1, #4") + polls(0, "tst r1, #8").replace("1", "2") + REACHED
    monkeypatch.setattr(given_up_waits, "MAX_POLLED", 0)
    for limit, lines in (
        (2, "value = 0xC # then it goes on"),
        (1, "value = 0x4 # with the bits it waits for"),
    ):
        monkeypatch.setattr(offers, "MAX_WAITS", limit)
        assert lines in run(program, GOAL, sampler=IDLE).findings[0].next_step


@pytest.mark.parametrize("goal", [GOAL, ""])
def test_further_bits_of_a_described_register(goal: str) -> None:
    """A core that waits for a bit that a constant lacks: the constant is to have it, and then the core goes on."""
    table = f"[[rehearsal.constant]]\nat = {DEVICE:#x}\nvalue = 1\n"
    program = RELEASE + polls(0, "tst r1, #1") + polls(0, "tst r1, #8").replace("1", "2") + REACHED
    (finding,) = run(program, table + goal, sampler=IDLE).findings
    assert finding.kind == "waits-for-register"
    assert (
        finding.next_step == f"set value = 0x9 in the [[rehearsal.constant]] at {DEVICE:#x} (then it goes on)"
    )
    assert run(program, table.replace("= 1", "= 9") + GOAL, sampler=IDLE).passes


def test_a_loop_that_counts_may_have_a_goal() -> None:
    """A delay between accesses of a pin is a loop that repeats; without goals the step is one of them, too."""
    blinks = f"ldr r5, ={DEVICE + 8:#x}\n ldr r0, ={COUNTER:#x}\n str r4, [r0]\n1: str r1, [r5]\n"
    counts = (
        "2: ldr r1, [r0]\n adds r1, #1\n movs r2, #7\n ands r1, r2\n str r1, [r0]\n bne 2b\n b 1b\n .ltorg\n"
    )
    (finding,) = run(RELEASE + blinks + counts, "", sampler=IDLE, budget=2_000_000).findings
    assert "but its own counters" in finding.found
    assert "[[rehearsal.goal]]" in finding.next_step


def test_what_is_tried_leaves_no_trace() -> None:
    """The events of a core that waits are those of the run, without a sleep of a trial."""
    rehearsal = run(RELEASE + polls(0, "tst r1, #4") + SLEEP, GOAL, sampler=IDLE)
    assert not [each for each in rehearsal.events if (each.kind, each.core) == ("sleeps", "station")]


def test_a_poll_in_a_device_that_repeats_is_not_followed_for_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """A core that reads nothing that another one writes, in a device that repeats, does the same for ever."""
    gone: list[int] = []
    monkeypatch.setattr(_Follower, "_go_on", lambda follower, time: gone.append(time) or True)
    found = run(RELEASE + polls(0, "tst r1, #2"), "", sampler=polls(0x10, "tst r1, #2")).findings
    assert [each.kind for each in found] == ["waits-for-register", "waits-for-register"]
    assert sum(gone) < WINDOWS[-1]


@pytest.mark.parametrize("until", ["tst r1, #1", "tst r1, #3"])
def test_bits_that_an_event_sets_are_not_left_out(until: str) -> None:
    """A wait that the event ends, alone or with others: a goal that is not reached is no fault of the layout."""
    program = RELEASE + store(DEVICE, "2") + polls(4, until) + REACHED
    found = run(
        program, TIMER + GOAL, sampler=TICKS + SLEEP, handler=COUNTS.replace("0x38000100", "0x38008100")
    )
    assert found.finding("waits-for-register") is None
    assert run(program.replace("=2", "=1"), TIMER + GOAL, sampler=IDLE).passes


LOOKS = (
    f"1: ldr r0, ={DEVICE + 0xC:#x}\n ldr r1, [r0]\n tst r1, #1\n beq 1b\n"
    f" ldr r1, [r0, #4]\n str r1, [r0, #4]\n b 1b\n .ltorg\n"
)
"""A loop that looks whether a byte has come, and sends it back."""
BRANCHES = COUNTS + "cmp r1, #0\n bne 7f\n movs r1, #1\n7:\n"
NEVER_READ = COUNTS.replace("0x38000100", "0x38000200")
FLAG = f"movs r1, #0\n ldr r0, ={COUNTER:#x}\n str r1, [r0]\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n" + SLEEP
UNDER_TICKS = {
    "a loop that looks for work": (LOOKS, COUNTS, ""),
    "a wait": (polls(0xC, "tst r1, #1") + SLEEP, COUNTS, "waits-for-register"),
    "a wait under a handler that branches": (
        polls(0xC, "tst r1, #1") + SLEEP,
        BRANCHES,
        "waits-for-register",
    ),
    "two waits": (polls(0xC, "tst r1, #1") + polls(0x10, "tst r1, #4") + SLEEP, COUNTS, "waits-for-register"),
    "a wait and then work": (polls(0xC, "tst r1, #1") + LOOKS.replace("0xc", "0x10"), COUNTS, ""),
    "nothing, where ticks count": ("1: b 1b\n .ltorg\n", COUNTS, "endless-loop"),
    "nothing, where ticks do nothing": ("1: b 1b\n .ltorg\n", "", "endless-loop"),
    "nothing, where a tick may do more": ("1: b 1b\n .ltorg\n", BRANCHES, ""),
    "nothing, where ticks drive a pin": ("1: b 1b\n .ltorg\n", COUNTS + store(DEVICE + 8, "1"), ""),
    "nothing, where ticks look at a pin": (
        "1: b 1b\n .ltorg\n",
        COUNTS + f"ldr r0, ={DEVICE:#x}\n ldr r1, [r0]\n",
        "",
    ),
    "nothing, where ticks speak to the other core": (
        "1: b 1b\n .ltorg\n",
        COUNTS.replace("0x38000100", "0x38010004"),
        "",
    ),
    "nothing, where ticks write to the system control space": (
        "1: b 1b\n .ltorg\n",
        COUNTS + store(0xE000_ED04, "0x08000000"),
        "",
    ),
    "nothing, where other interrupts may come": (enabled(9) + "1: b 1b\n .ltorg\n", COUNTS, ""),
    "a word that ticks write": (FLAG.replace("cmp r1, #0\n beq", "cmn r1, #1\n bne"), COUNTS, ""),
    "a word that nobody writes": (FLAG, NEVER_READ, "endless-loop"),
    "a word that the other core may write": (FLAG.replace("0x38000100", "0x38010004"), COUNTS, ""),
    "sleep": (SLEEP, COUNTS, ""),
    "events": ("9: wfe\n b 9b\n .ltorg\n", COUNTS, ""),
}


@pytest.mark.parametrize("name", UNDER_TICKS)
def test_without_goals_under_ticks(name: str) -> None:
    """A hang that ticks only count through is named as what it is; whatever may still do work has started."""
    loop, handler, kind = UNDER_TICKS[name]
    rehearsal = run(RELEASE + TICKS + loop, "", handler=handler, sampler=IDLE, budget=60_500)
    assert [each.kind for each in rehearsal.findings] == ([kind] if kind else []), rehearsal.findings
    assert rehearsal.outcome == ("fails" if kind else "started")
    if kind == "endless-loop":
        assert "tick interrupts only count" in rehearsal.findings[0].found
        assert "[[rehearsal.goal]]" in rehearsal.findings[0].next_step


MASKED = "9: cpsid i\n dsb\n wfi\n cpsie i\n isb\n b 9b\n .ltorg\n"
AGAIN = store(0xE000_E014, "3999") + store(0xE000_E018, "0") + store(0xE000_E010, "7")
IDLES = {
    "sleep under a mask": (MASKED, "", TICKS),
    "sleep by a tick that is set for each": (MASKED.replace("dsb", AGAIN), store(0xE000_E010, "0"), ""),
    "sleep, and work": (
        f"9: cpsid i\n wfi\n cpsie i\n isb\n ldr r0, ={COUNTER:#x}\n ldr r1, [r0]\n cmp r1, #1\n bne 9b\n"
        " movs r1, #0\n str r1, [r0]\n b 9b\n .ltorg\n",
        store(COUNTER, "1"),
        TICKS,
    ),
    "events": ("9: wfe\n b 9b\n .ltorg\n", "", TICKS),
}


@pytest.mark.parametrize("shift", range(0, 12, 3))
@pytest.mark.parametrize("name", IDLES)
def test_an_idle_state_that_repeats(name: str, shift: int) -> None:
    """A core that ticks wake has started, in whatever moment the device is seen to be in the same state again."""
    loop, handler, ticks = IDLES[name]
    rehearsal = run(
        RELEASE + "nop\n" * shift + ticks + loop, "", handler=handler, sampler=IDLE, budget=400_000
    )
    assert rehearsal.outcome == "started", rehearsal.findings
    assert "same state" in rehearsal.ended or "in before" in rehearsal.ended


@pytest.mark.parametrize("hang", ["9: b 9b\n", "9: wfi\n b 9b\n"])
def test_ticks_before_a_mask_end_nothing(hang: str) -> None:
    """A core that took ticks until it masked them, and never takes one again, hangs."""
    program = RELEASE + TICKS + "ldr r5, =0x400\n1: subs r5, #1\n bne 1b\n cpsid i\n" + hang + ".ltorg\n"
    rehearsal = run(program, "", sampler=IDLE, budget=4_000_000)
    assert [each.core for each in rehearsal.findings] == ["station"], rehearsal.outcome


def test_the_longest_handler_that_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a handler with more than ``MAX_HANDLER`` instructions nothing is said."""
    monkeypatch.setattr(loop_accesses, "MAX_HANDLER", 9)
    for count, kinds in ((4, ["endless-loop"]), (5, [])):
        program = RELEASE + TICKS + "1: b 1b\n .ltorg\n"
        rehearsal = run(program, "", handler=COUNTS + "nop\n" * count, sampler=IDLE, budget=60_500)
        assert [each.kind for each in rehearsal.findings] == kinds


def test_the_trials_of_what_a_core_waits_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """After ``MAX_TRIALS`` waits, or where the register is read more than ``MAX_LOOKS`` times, nothing is said."""
    waits = polls(0xC, "tst r1, #1") + polls(0x10, "tst r1, #1") + SLEEP
    again = "movs r6, #3\n6: " + polls(0xC, "tst r1, #1") + "subs r6, #1\n bne 6b\n" + SLEEP
    monkeypatch.setattr(runner, "MAX_TRIALS", 2)
    monkeypatch.setattr(runner, "MAX_LOOKS", 3)
    for program in (waits, again):
        assert run(RELEASE + TICKS + program, "", handler=COUNTS, sampler=IDLE).finding("waits-for-register")
    monkeypatch.setattr(runner, "MAX_TRIALS", 1)
    monkeypatch.setattr(runner, "MAX_LOOKS", 2)
    for program in (waits, again):
        assert run(RELEASE + TICKS + program, "", handler=COUNTS, sampler=IDLE).outcome == "started"


def by_number(number: int, offset: int = 0) -> str:
    """Code that goes on where a register reads this number, and else sleeps."""
    return f"ldr r0, ={DEVICE + offset:#x}\n ldr r1, [r0]\n cmp r1, #{number}\n bne 8f\n"


OTHERWISE = "8: wfi\n b 8b\n .ltorg\n"
SAMPLER_GOAL = GOAL.replace('"station"', '"sampler"')
VALUES = "[[rehearsal.by_core]]\nat = 0x50200000\nvalues = { station = 0, sampler = 1 }"


@pytest.mark.parametrize("goal", [SAMPLER_GOAL, ""])
def test_a_register_that_may_hold_the_number_of_the_core(goal: str) -> None:
    """Both cores read zero, and the second one takes the first one's way: the register, and a value for each core."""
    station = by_number(0) + RELEASE + IDLE + OTHERWISE
    sampler = by_number(1) + REACHED.replace(SLEEP, IDLE) + OTHERWISE
    rehearsal = run(station, goal, sampler=sampler)
    error = next(each for each in rehearsal.findings if each.severity == "error")
    assert error.next_step.startswith(
        "if 0x5020_0000, which reads zero, holds the core's number, add to the layout"
    )
    assert VALUES in error.next_step
    warning = rehearsal.finding("register-of-both-cores")
    assert warning is not None
    assert VALUES in warning.next_step
    assert run(station, f"{VALUES}\n{SAMPLER_GOAL}", sampler=sampler).passes


@pytest.mark.parametrize("goal", [SAMPLER_GOAL, ""])
def test_a_primary_that_does_not_find_its_number(goal: str) -> None:
    """It releases nobody: the values are the other way round."""
    rehearsal = run(by_number(1) + RELEASE + IDLE + OTHERWISE, goal, sampler=REACHED)
    (finding,) = rehearsal.findings
    assert "values = { sampler = 0, station = 1 }" in finding.next_step


SENDS = "".join(f"ldr r0, ={DEVICE:#x}\n ldr r1, [r0]\n movs r2, #65\n str r2, [r0, #8]\n" for _ in range(2))
"""Two characters, after looks at a register that may say when there is room for them."""


@pytest.mark.parametrize("near", ["str r2, [r0, #0x100]", "str r2, [r0, #8]\n ldr r2, [r0, #8]"])
def test_a_register_that_is_no_status_may_hold_the_number(near: str) -> None:
    """One whose neighbour is elsewhere, or is read too, reports on nothing."""
    sends = SENDS.replace("str r2, [r0, #8]", near)
    rehearsal = run(
        sends + by_number(0) + RELEASE + IDLE + OTHERWISE,
        SAMPLER_GOAL,
        sampler=sends + by_number(1) + REACHED + OTHERWISE,
    )
    assert VALUES in next(each for each in rehearsal.findings if each.severity == "error").next_step


@pytest.mark.parametrize(
    ("station", "sampler", "table"),
    [
        (by_number(0) + store(DEVICE, "1"), by_number(1), ""),
        (by_number(0), by_number(1, 8), ""),
        (by_number(0), by_number(1), f"[[rehearsal.constant]]\nat = {DEVICE:#x}\nvalue = 0\n"),
        ("", by_number(1), ""),
        (SENDS + by_number(0), SENDS + by_number(1), ""),
        (SENDS + by_number(0), SENDS + by_number(1), f"[[rehearsal.serial]]\nat = {DEVICE + 8:#x}\n"),
    ],
    ids=["written", "two registers", "described", "of one core", "a status", "a status of a port"],
)
def test_registers_that_hold_no_number(station: str, sampler: str, table: str) -> None:
    """A register that a core writes, that one core reads, or that the layout describes is another one."""
    rehearsal = run(
        station + RELEASE + IDLE + OTHERWISE, table + SAMPLER_GOAL, sampler=sampler + REACHED + OTHERWISE
    )
    assert not rehearsal.passes
    assert not [each for each in rehearsal.findings if "by_core]]" in each.next_step]


def test_how_many_registers_may_hold_the_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first ``MAX_PROPOSED``, and none that is read more than ``MAX_LOOKS`` times."""
    both = by_number(0) + by_number(0, 4) + by_number(0, 8)
    for name, limit, count in (
        ("MAX_PROPOSED", 2, 2),
        ("MAX_PROPOSED", 3, 3),
        ("MAX_LOOKS", 1, 3),
        ("MAX_LOOKS", 0, 0),
    ):
        with monkeypatch.context() as patch:
            patch.setattr(described, "MAX_PROPOSED", 3)
            patch.setattr(described, name, limit)
            rehearsal = run(both + RELEASE + IDLE + OTHERWISE, SAMPLER_GOAL, sampler=both + IDLE + OTHERWISE)
        error = next(each for each in rehearsal.findings if each.severity == "error")
        assert error.next_step.count("by_core]]") == count


def test_ticks_of_the_other_core_are_its_own() -> None:
    """A core without ticks in a loop is named beside one that ticks, as before."""
    rehearsal = run(BESIDE, "", handler=COUNTS, sampler="1: b 1b\n .ltorg\n", budget=200_000)
    assert rehearsal.finding("endless-loop") is not None


@pytest.mark.parametrize("program", ["1: b 1b\n", f"1: ldr r0, ={DEVICE + 0xC:#x}\n ldr r1, [r0]\n b 1b\n"])
def test_the_calls_that_lead_into_a_loop(program: str) -> None:
    """A loop that a core stays in is often one that many places call: which one did is said, where a run is short."""
    nested = RELEASE + "bl 2f\n" + SLEEP + "2: push {lr}\n bl 3f\n pop {pc}\n3: " + program + ".ltorg\n"
    (finding,) = run(nested, "", sampler=IDLE, exact=True).findings
    assert finding.kind in ("endless-loop", "waits-for-register")
    assert len(finding.calls) == 2
    assert run(nested, "", sampler=IDLE).findings[0].calls == ()


RINGS = f"""[[rehearsal.inter_core_interrupt]]
from = "station"
to = "sampler"
set_at = {DEVICE:#x}
clear_at = {DEVICE + 4:#x}
mask = 1
interrupt = 9
"""


@pytest.mark.parametrize(
    ("table", "said"), [(RINGS, "only what core station raises enabled: interrupt 9"), ("", "")]
)
def test_a_sleeper_that_the_other_core_does_not_wake(table: str, said: str) -> None:
    """Its interrupt is enabled, and the core that raises it does so no more: that core is named, and the interrupt."""
    found = run(RELEASE + SLEEP, table, sampler=IDLE).findings
    sampler = next((each for each in found if each.core == "sampler"), None)
    assert (sampler is not None) is bool(said)  # without a description something from outside may raise it
    if sampler:
        assert said in sampler.found
        assert sampler.next_step.startswith("see why core station does not raise interrupt 9")


EDGE = TIMER.replace(f"status_at = {DEVICE + 4:#x}\nclear_at = {DEVICE + 4:#x}\n", "")
STARTED = EDGE.replace("every = 1000\n", "").replace("enabled_at", "after_write")
SWITCHED = {
    "a timer that is off": (EDGE, "", TICKS, f"0x1 of {REGISTER} are set, and nobody writes {REGISTER}"),
    "a timer of which another bit is set": (EDGE, store(DEVICE, "0x10"), TICKS, f"{REGISTER} are set, or"),
    "a timer that is on": (EDGE, store(DEVICE, "1"), TICKS, None),
    "a timer that the other core may start": (EDGE, "", enabled(9), None),
    "a conversion that is not started": (STARTED, "", TICKS, f"and nobody writes {REGISTER}"),
    "a conversion that was started": (STARTED, store(DEVICE, "1"), TICKS, None),
    "a device that is set up for more": (STARTED, store(DEVICE + 0x10, "4"), TICKS, None),
    "a device that is set up for nothing": (STARTED, store(DEVICE + 0x10, "0"), TICKS, f"writes {REGISTER}"),
    "one of two devices": (EDGE + STARTED.replace("0x5020", "0x5030"), store(DEVICE, "1"), TICKS, None),
}
"""What raises interrupt 5, what the station writes, what the sampler does, and what is said of the interrupt."""


@pytest.mark.parametrize("sleep", ["wfi", "wfe"])
@pytest.mark.parametrize("name", SWITCHED)
def test_a_sleeper_whose_device_is_off(name: str, sleep: str) -> None:
    """An interrupt of a device that code never switched on wakes nobody, unless code may do that yet."""
    table, writes, sampler, said = SWITCHED[name]
    program = RELEASE + enabled(5) + writes + SLEEP.replace("wfi", sleep)
    rehearsal = run(program, table, sampler=sampler + SLEEP)
    (finding,) = rehearsal.findings or (None,)
    assert (finding is None) is (said is None), rehearsal.findings
    if finding is None:
        assert rehearsal.outcome == "started"
    else:
        assert (finding.kind, finding.core) == ("no-wake-up-source", "station")
        assert "interrupt 5 was never raised" in finding.next_step
        assert (said or "") in finding.next_step


TICKING = TICKS + SLEEP
PENDS = store(0xE000_ED10, "16")
"""What becomes pending is an event (SCR.SEVONPEND)."""
ENABLED = store(0xE000_E100, "0x200")
EVENTS = {
    "taken": (ENABLED, "wfe", True),
    "masked by PRIMASK": (PENDS + ENABLED + "cpsid i\n", "wfe", True),
    "masked by BASEPRI": (PENDS + ENABLED + "movs r0, #0x20\n msr basepri, r0\n", "wfe", True),
    "not enabled, which an event need not be": (PENDS, "wfe.w", True),
    "between other instructions": (PENDS + ENABLED + "cpsid i\n", "nop\n wfe\n adds r5, #0", True),
    "masked, and no event": (ENABLED + "cpsid i\n", "wfe", False),
    "not enabled, and no event": ("", "wfe", False),
    "masked, and not waited for": (PENDS + ENABLED + "cpsid i\n", "yield", False),
}


@pytest.mark.parametrize("name", EVENTS)
@pytest.mark.parametrize("station", [TICKING, SLEEP])
def test_an_event_that_the_other_core_may_send(name: str, station: str) -> None:
    """What another core may raise ends WFE as it ends WFI, unless that core comes to nothing more itself."""
    beginning, waits, may_end = EVENTS[name]
    rehearsal = run(RELEASE + station, RINGS, sampler=beginning + f"1: {waits}\n b 1b\n .ltorg\n")
    found = next((each for each in rehearsal.findings if each.core == "sampler"), None)
    assert (found is None) is (may_end and station is TICKING)
    if found:
        assert found.kind == ("no-wake-up-source" if "wfe" in waits else "endless-loop")
        assert ("only what core station raises enabled: interrupt 9" in found.found) is may_end


RAM = f"sub sp, #8\n movs r1, #0\n str r1, [sp, #4]\n ldr r0, ={COUNTER + 4:#x}\n str r1, [r0]\n str r1, [r0, #4]\n"
COUNT = "str r1, [{0}]\n3: ldr r2, [{0}]\n adds r2, #1\n str r2, [{0}]\n cmp r2, #9\n bne 3b\n"
LOOK, ROUND = "ldr r2, [r0, #4]\n cmp r2, #0\n bne 4f\n", "b 1b\n4: b 4b\n .ltorg\n"
COUNTERS = {
    "on the stack": (COUNT.format("sp"), "neither a device register nor RAM but its own counters"),
    "in a variable": (COUNT.format("r0"), "neither a device register nor RAM but its own counters"),
    "before a flag": (COUNT.format("r0") + LOOK, "0x3800_0108 ("),
    "on the stack, after a flag": (LOOK + COUNT.format("sp"), "0x3800_0108 ("),
    "a flag through a pointer on the stack": (
        "str r0, [sp, #4]\n" + COUNT.format("sp") + "ldr r3, [sp, #4]\n" + LOOK.replace("r0", "r3"),
        "0x3800_0108 (",
    ),
    "a flag alone on the stack": (LOOK.replace("r0, #4", "sp, #4"), "0x3800_7FFC ("),
    "a copy of a flag": (LOOK.replace("cmp", "str r2, [sp]\n ldr r2, [sp]\n cmp"), "0x3800_0108 ("),
    "a count that goes on": ("ldr r2, [r0]\n adds r2, #1\n str r2, [r0]\n" + LOOK, ""),
}


@pytest.mark.parametrize("name", COUNTERS)
@pytest.mark.parametrize("ticks", ["", TICKS])
def test_counters_of_a_loop(name: str, ticks: str) -> None:
    """What a loop writes itself it does not wait for; where its counters begin anew it is in the same state again."""
    loop, reads = COUNTERS[name]
    rehearsal = run(
        RELEASE + ticks + RAM + "1: " + loop + ROUND, "", handler=COUNTS, sampler=IDLE, budget=60_500
    )
    finding = rehearsal.finding("endless-loop")
    may_work = (
        bool(ticks) and "str r1, [r0]" in loop
    )  # a test of memory in the background changes it back too
    assert (finding is not None) is (bool(reads) and not may_work), rehearsal.findings
    if finding:
        assert f"it reads {reads}" in finding.found


TAKES = f"ldr r0, ={COUNTER + 4:#x}\n movs r1, #0\n str r1, [r0]\n1: cpsid i\n ldr r2, [r0]\n str r1, [r0]\n cpsie i\n "
MASKS_A_MOMENT = {
    "takes events": (TAKES + "cmp r2, #0\n beq 1b\n b 1b\n .ltorg\n", BRANCHES, ""),
    "takes events that never come": (TAKES + "cmp r2, #0\n beq 1b\n b 1b\n .ltorg\n", COUNTS, "endless-loop"),
    "looks at nothing": ("1: cpsid i\n nop\n nop\n cpsie i\n b 1b\n .ltorg\n", BRANCHES, ""),
    "looks at nothing, by BASEPRI": (
        store(0xE000_ED20, "0x40000000")
        + "1: movs r1, #0x20\n msr basepri, r1\n nop\n movs r1, #0\n msr basepri, r1\n"
        " b 1b\n .ltorg\n",
        BRANCHES,
        "",
    ),
}


@pytest.mark.parametrize("name", MASKS_A_MOMENT)
def test_loops_that_mask_interrupts_for_a_moment(name: str) -> None:
    """Wherever in the loop the run ends: what may come is asked where interrupts may come."""
    program, handler, kind = MASKS_A_MOMENT[name]
    for budget in range(60_500, 60_508):
        rehearsal = run(RELEASE + TICKS + program, "", handler=handler, sampler=IDLE, budget=budget)
        assert [each.kind for each in rehearsal.findings] == [kind] * bool(kind), (budget, rehearsal.findings)


READS = f"ldr r0, ={COUNTER + 4:#x}\n movs r1, #0\n str r1, [r0]\n1: ldr r1, [r0]\n cmp r1, #0\n bne 2f\n"
AGAIN = " b 1b\n2: b 2b\n .ltorg\n"
SLEEPERS = {
    "a flag": (READS + "wfi\n" + AGAIN, "0x3800_0104"),
    "a flag, by WFE": (READS + "wfe\n" + AGAIN, "0x3800_0104"),
    "a flag, looked at under a mask": (
        READS.replace("1:", "1: cpsid i\n") + "wfi\n cpsie i\n" + AGAIN,
        "0x3800_0104",
    ),
    "a flag through a pointer on the stack": (
        READS.replace("1:", "push {r0}\n1: ldr r0, [sp]\n") + "wfi.w\n" + AGAIN,
        "0x3800_0104",
    ),
    "what the other core is to write": (
        READS.replace("0x38000104", "0x38010004") + "wfi\n" + AGAIN,
        "0x3801_0004",
    ),
    "what its ticks count": (
        READS.replace("0x38000104", "0x38000100").replace("#0\n bne", "#0\n bmi") + "wfi\n" + AGAIN,
        "0x3800_0100",
    ),
    "nothing": ("1: wfi\n" + AGAIN, ""),
    "an idle loop that counts": (READS + "adds r2, #1\n str r2, [r0, #8]\n wfi\n" + AGAIN, ""),
    "an idle loop that does something else each time": (READS + "adds r2, #1\n wfi\n" + AGAIN, ""),
    "a register": (f"1: ldr r0, ={DEVICE + 0xC:#x}\n ldr r1, [r0]\n wfi\n" + AGAIN, ""),
    "a call of the supervisor": (READS + "svc #0\n wfi\n" + AGAIN, ""),
}


@pytest.mark.parametrize("name", SLEEPERS)
def test_what_a_sleeping_core_looks_at(name: str) -> None:
    """A core that sleeps between ticks is sound; where a goal is not reached, the word that it looks at is named."""
    program, address = SLEEPERS[name]
    for budget in (60_500, 61_000, 61_017):
        unreached = run(RELEASE + TICKS + program, GOAL, handler=COUNTS, sampler=IDLE, budget=budget)
        (finding,) = unreached.findings
        assert finding.kind == "goal-not-reached"
        assert (f"it reads {address}" in finding.found) is bool(address), finding.found
        by = "another core" if address == "0x3801_0004" else "a handler"
        assert (f"again and again, which {by} is to write" in finding.found) is bool(address)
        started = run(RELEASE + TICKS + program, "", handler=COUNTS, sampler=IDLE, budget=budget)
        assert started.outcome == "started"
        lines = [each.text for each in started.events if each.text.startswith("waits: it reads")]
        assert len(lines) == bool(address)


CLOCK_BACK = polls(0, "tst r1, #0x200").join((store(DEVICE, "1"), store(DEVICE, "0x200") + "nop\n"))
GOES = f"ldr r0, ={DEVICE:#x}\n3: ldr r1, [r0]\n tst r1, #0x200\n bne 3b\n" + REACHED


@pytest.mark.parametrize(
    ("program", "proposed"),
    [
        (CLOCK_BACK + GOES, True),
        (polls(0, "tst r1, #0x200") + GOES, False),
        (CLOCK_BACK.replace("=1\n", "=0x200\n") + GOES, False),
    ],
    ids=["cleared", "never written", "only itself"],
)
def test_bits_that_are_to_go_again(program: str, proposed: bool) -> None:
    """A constant that code waits for to go, once it has cleared another bit: the one follows the other."""
    constant = f"[[rehearsal.constant]]\nat = {DEVICE:#x}\nvalue = 0x200\n"
    (finding,) = run(RELEASE + program, constant + GOAL, sampler=IDLE).findings
    assert ("[[rehearsal.ready]]" in finding.next_step) is proposed
    if proposed:
        assert finding.next_step.startswith(f"in place of the [[rehearsal.constant]] at {DEVICE:#x} write:")
        lines = "\n".join(step_lines(finding.next_step)[1:])
        assert run(RELEASE + program, lines + GOAL, sampler=IDLE).passes


@pytest.mark.parametrize(
    ("written", "lines"),
    [
        ("0x11", f"add to the layout:\n[[rehearsal.ready]]\nat = {DEVICE:#x}\nbits = 0x200\n"),
        ("0x10", "set reset = 0x210 and writable = 0xFFFFFDFF in the [[rehearsal.held]]"),
        ("0x201", ""),
    ],
)
def test_bits_of_a_held_register_that_code_never_writes(written: str, lines: str) -> None:
    """They follow what it wrote as one there; where that is nothing the device holds them."""
    held = f"[[rehearsal.held]]\nat = {DEVICE:#x}\nreset = 0x10\n"
    program = RELEASE + store(DEVICE, written) + polls(0, "tst r1, #0x200") + REACHED
    rehearsal = run(program, held + GOAL, sampler=IDLE)
    if not lines:
        assert rehearsal.passes
        return
    (finding,) = rehearsal.findings
    assert finding.next_step.startswith(lines)
    added = held + "\n".join(step_lines(finding.next_step)[1:])
    if lines.startswith("set"):
        added = held.replace("reset = 0x10", "reset = 0x210\nwritable = 0xFFFFFDFF")
    assert run(program, added + GOAL, sampler=IDLE).passes


PANICS = f"ldr r0, ={DEVICE + 0xC:#x}\n ldr r1, [r0]\n cmp r1, #7\n beq 2f\n1: b 1b\n2:\n" + REACHED


def test_a_loop_after_a_register_that_reads_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    """Code that stops where a register has not its value: the first ``MAX_ZEROS`` registers that read zero."""
    more = "".join(f" ldr r1, [r0, #{offset}]\n" for offset in range(0x10, 0x30, 4))
    says = "if code came there since a register reads zero ("
    assert (
        f"{says}0x5020_000C), describe that"
        in run(RELEASE + PANICS, GOAL, sampler=IDLE).findings[0].next_step
    )
    monkeypatch.setattr(described, "MAX_ZEROS", 1)
    many = PANICS.replace("cmp r1, #7", more + "cmp r1, #7")
    assert "0x5020_000C and 8 more)" in run(RELEASE + many, GOAL, sampler=IDLE).findings[0].next_step
    constant = f"[[rehearsal.constant]]\nat = {DEVICE + 0xC:#x}\nvalue = 6\n"
    assert says not in run(RELEASE + PANICS, constant + GOAL, sampler=IDLE).findings[0].next_step
    assert run(RELEASE + PANICS, constant.replace("6", "7") + GOAL, sampler=IDLE).passes


FLAG = 0x3801_0004
BUSY = "ldr r1, =%d\n1: subs r1, #1\n bne 1b\n" + store(FLAG, "1") + SLEEP
POLLS = f"ldr r0, ={FLAG:#x}\n1: %s\n %s\n ldr r1, [r0]\n cmp r1, #1\n bne 1b\n" + REACHED
PENDING = "cpsid i\n" + enabled(5) + store(0xE000_E200, "32")
PAUSES = {"yield": "", "yield.w": "", "wfi": PENDING, "wfi.w": PENDING}
ROUNDS = {
    "only waits": "nop\n nop",
    "counts in a register": "adds r6, #1\n nop",
    "counts in memory": "ldr r1, [sp, #-8]\n adds r1, #1\n str r1, [sp, #-8]",
    "polls a register of the device": f"ldr r1, ={DEVICE:#x}\n ldr r1, [r1]",
}


@pytest.mark.parametrize("pause", PAUSES)
@pytest.mark.parametrize("does", ROUNDS)
@pytest.mark.parametrize("partner", [3, 700, 30_000])
def test_a_pause_costs_what_it_executes(pause: str, does: str, partner: int) -> None:
    """YIELD, and WFI that an exception ends at once: a wait is over when one of as many NOP is, whatever it does."""
    ends = {}
    for each in (pause, "nop.w" if pause.endswith(".w") else "nop"):
        program = PAUSES[pause] + RELEASE + POLLS % (each, ROUNDS[does])
        ends[each] = run(program, GOAL, sampler=BUSY % partner, budget=2_000_000)
    assert len({each.time for each in ends.values()}) == 1
    assert all(each.passes for each in ends.values())


@pytest.mark.parametrize("reload", [99, 1_000, 6_000])
@pytest.mark.parametrize("control", [5, 7])
def test_ticks_during_pauses_are_those_of_nop(reload: int, control: int) -> None:
    """The timer's flag and its interrupts count as often as with NOP in the loop, and as late."""
    ticks = store(0xE000_E014, str(reload)) + store(0xE000_E018, "0") + store(0xE000_E010, str(control))
    awaits = (
        " ldr r3, =0xe000e010\n1: %s\n ldr r1, [r3]\n lsrs r1, r1, #17\n bcc 1b\n"
        if control == 5
        else (f" ldr r3, ={COUNTER:#x}\n1: %s\n ldr r1, [r3]\n cmp r1, r6\n bls 1b\n")
    )
    loop = store(COUNTER, "0") + f"2:{awaits} adds r6, #1\n cmp r6, #40\n bne 2b\n"
    ends = [
        run(RELEASE + ticks + loop % each + REACHED, GOAL, sampler=IDLE, handler=COUNTS, budget=2_000_000)
        for each in ("yield", "nop")
    ]
    assert ends[0].passes
    assert ends[0].time == ends[1].time


@pytest.mark.parametrize(("polls", "answered"), [(200, False), (1_000, False), (30_000, True)])
def test_a_bounded_wait_by_yield_ends_when_it_is_counted_out(polls: int, answered: bool) -> None:
    """A partner that takes longer than the polls do is not waited for; one that is quicker is."""
    program = f"ldr r2, ={polls}\n" + POLLS.replace("%s\n %s", "yield\n subs r2, #1\n beq 9f")
    program = RELEASE + program.replace(SLEEP, "9: b 9b\n .ltorg\n")
    rehearsal = run(program, GOAL, sampler=BUSY % 20_000, budget=2_000_000)
    assert rehearsal.passes is answered


def test_yield_leaves_the_event_to_wfe() -> None:
    """An exception is an event: after a YIELD too it ends the first WFE, which then takes no time."""
    waits = "wfe\n" * 100 + REACHED
    by_yield, by_nop = (
        run(f"{RELEASE}svc #0\n{one}\n{waits}", GOAL, sampler=IDLE) for one in ("yield", "nop")
    )
    assert by_nop.passes
    assert by_yield.time == by_nop.time


def test_pauses_that_count_take_of_the_budget() -> None:
    """A loop without end that counts its YIELDs ends after some thousand of them, as the budget does."""
    endless = "1: yield\n adds r6, #1\n b 1b\n"
    rehearsal = run(RELEASE + endless, "", sampler=IDLE, budget=200_000)
    assert rehearsal.ended == "the budget of instructions ended"
    assert rehearsal.executed < 40_000
    assert (
        run(RELEASE + endless.replace("yield", "nop"), "", sampler=IDLE, budget=200_000).executed >= 200_000
    )


SILENT_TICKS = store(0xE000_E014, "1000") + store(0xE000_E018, "0") + store(0xE000_E010, "5")
YIELDS = "1: yield\n ldr r0, =0x38010000\n ldr r1, [r0]\n cmp r1, #1\n bne 1b\n b .\n .ltorg\n"
READS_TICKS = "1: ldr r0, =0xE000E018\n ldr r1, [r0]\n cmp r1, #0\n bmi 1b\n b 1b\n .ltorg\n"


@pytest.mark.parametrize(
    ("sampler", "kind", "ends_early"),
    [
        (SLEEP, "no-wake-up-source", True),
        ("1: b 1b\n", "endless-loop", True),
        (READS_TICKS, "no-idle-state", False),
    ],
)
def test_a_timer_that_nobody_notices_keeps_no_state_from_repeating(
    sampler: str, kind: str, ends_early: bool
) -> None:
    """One that counts without an interrupt and is not read: where it is in its period decides nothing."""
    rehearsal = run(RELEASE + YIELDS, "", sampler=SILENT_TICKS + sampler, budget=1_000_000)
    assert rehearsal.ended.startswith("the budget") is not ends_early
    assert kind in [each.kind for each in rehearsal.findings if each.core == "sampler"], rehearsal.findings
