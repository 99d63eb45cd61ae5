"""Idle states of cores that no interrupt reaches: what another core writes, or the own timer, ends their wait."""

from __future__ import annotations

import pytest
from device_programs import SLEEP, enabled, result, run, store
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of
from rehearse.test_endings import CONTROL, COUNT, TICK_COUNTS, TICKS, VECTORS

from gemel.rehearsal.emulator import device_run, released_loops
from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
from gemel.rehearsal.emulator.device import Device
from gemel.rehearsal.result import Rehearsal

WAITS = "ldr r0, =0x38010010\n1: ldr r1, [r0]\n cmp r1, #0\n {0} beq 1b\n"
SERVES = WAITS + "str r4, [r0]\n ldr r1, [r0, #0x10]\n adds r1, #1\n str r1, [r0, #0x10]\n b 1b\n .ltorg\n"
COUNTS_DOWN = store(0xE000_E014, "0xFFF") + store(0xE000_E018, "0") + store(0xE000_E010, "5")
FLAG = "7: ldr r0, =0xE000E010\n3: ldr r1, [r0]\n lsls r1, r1, #15\n bpl 3b\n"
ADDS = "ldr r2, =0x38010020\n ldr r1, [r2]\n adds r1, #1\n str r1, [r2]\n"
WRITES = TICK_COUNTS.replace("bx lr", "ldr r0, ={0}\n movs r1, #1\n str r1, [r0]\n sev\n bx lr")
WRITES_IT, WRITES_BESIDE = WRITES.format("0x38010010"), WRITES.format("0x38010014")
CALLS = (
    "b 2f\n3: push {r0, lr}\n ldr r0, =0x38010010\n ldr r0, [r0]\n cmp r0, #0\n pop {r1, pc}\n"
    "2: bl 3b\n beq 2b\n ldr r0, =0x38010010\n str r4, [r0]\n b 2b\n .ltorg\n"
)
P = "ldr r0, =0x38010010\n"
OWN = "mov r2, sp\n sub r2, #0x4000\n str r4, [r2]\n"
ZERO = P + "str r4, [r0]\n str r4, [r0, #8]\n str r4, [r0, #0x30]\n"
AGAIN = "str r4, [r0]\n ldr r3, [r0, #0x10]\n adds r3, #1\n str r3, [r0, #0x10]\n b 1b\n"
"""What serves a request: it takes it back, counts, and waits again."""

POLL = "ldr r1, [r0]\n cmp r1, #0\n beq 1b\n"
COUNTER = "ldr r3, [r2]\n adds r3, #1\n str r3, [r2]\n"
OWN_WORD = OWN + P + "1: ldr r3, [r2]\n cmp r3, #0\n bne 8f\n" + POLL + AGAIN + "8: b 8b\n .ltorg\n"
COUNTS_IDLE = OWN + P + "1: " + COUNTER + POLL + AGAIN + ".ltorg\n"
DELAYS = P + "1: ldr r3, =5000\n2: subs r3, #1\n bne 2b\n" + POLL + AGAIN + ".ltorg\n"
IN_A_BLOCK = P + "1: ldr r1, [r0]\n cmp r1, #0\n itt ne\n addne r5, #1\n strne r4, [r0]\n b 1b\n .ltorg\n"
IN_TURN = ZERO + "1: " + POLL + "adds r5, #1\n str r5, [r0, #8]\n2: ldr r1, [r0]\n cmp r1, #0\n bne 2b\n"
INVERTS = TICK_COUNTS.replace("bx lr", P + "ldr r1, [r0]\n mvns r1, r1\n str r1, [r0]\n bx lr")
BEATS = TICK_COUNTS.replace("bx lr", P + "ldr r1, [r0]\n adds r1, #1\n str r1, [r0]\n bx lr")
SELDOM = (
    "mrs r0, ipsr\n cmp r0, #15\n bne 1f\n" + COUNT + P + "ldr r1, [r0, #0x30]\n adds r1, #1\n cmp r1, #{0}\n"
    " bne 6f\n str r1, [r0]\n movs r1, #0\n6: str r1, [r0, #0x30]\n bx lr\n1:\n"
)
REGISTER = "ldr r0, =0x50200000\n ldr r2, =0x38010020\n{0}1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n {1}\n"
SERVED = COUNTER + "b 1b\n .ltorg\n"
MAILBOX = '[[rehearsal.inter_core_interrupt]]\nfrom = "{0}"\nto = "{1}"\ninterrupt = 3\nset_at = 0x50200010\n'
MAILBOX += "clear_at = 0x50200014\npending_at = 0x50200000\n"
SENDS, TAKES_BACK = WRITES.format("0x50200010"), WRITES.format("0x50200014")
POLLS_MAILBOX = REGISTER.format("", "str r1, [r0, #0x14]") + SERVED
POLLS_HELD = REGISTER.format("", "str r4, [r0]") + SERVED
HELD = "[[rehearsal.held]]\nat = 0x50200000\n"
FROM_OUTSIDE = (
    "mrs r0, ipsr\n cmp r0, #21\n bne 1f\n ldr r0, ={0}\n movs r1, #1\n str r1, [r0]\n sev\n bx lr\n1:\n"
)
WRITES_AT_FIVE, AT_FIVE_BESIDE = FROM_OUTSIDE.format("0x38010010"), FROM_OUTSIDE.format("0x38010014")
TICKS_TOO = WRITES_AT_FIVE + COUNT
AT_TIMES = (
    TICKS + P + "1: movs r1, #1\n str r1, [r0]\n ldr r2, =2000\n2: subs r2, #1\n bne 2b\n str r4, [r0]\n"
    " ldr r2, =20000\n3: subs r2, #1\n bne 3b\n b 1b\n .ltorg\n"
)
FIVE, FIVE_AND_TICKS = enabled(5) + SLEEP, TICKS + enabled(5) + SLEEP
RELEASED = {
    "polls": (WRITES_IT, SERVES.format("")),
    "waits for an event": (WRITES_IT, SERVES.format("wfe\n")),
    "polls by a call": (WRITES_IT, CALLS),
    "counts by its timer": (TICK_COUNTS, COUNTS_DOWN + FLAG + ADDS + "b 7b\n .ltorg\n"),
    "reads a word of its own too": (WRITES_IT, OWN_WORD),
    "counts what it idles": (WRITES_IT, COUNTS_IDLE),
    "counts in a register": (WRITES_IT, COUNTS_IDLE.replace(COUNTER, "adds r5, #1\n")),
    "delays between two looks": (WRITES_IT, DELAYS),
    "serves in an if-then block": (WRITES_IT, IN_A_BLOCK),
    "waits for two things in turn": (INVERTS, IN_TURN + "b 1b\n .ltorg\n"),
    "seldom": (SELDOM.format(40), ZERO + SERVES.format("")),
    "a mailbox": (SENDS, POLLS_MAILBOX, MAILBOX),
    "a register that holds what is written": (
        WRITES.format("0x50200000"),
        store(0x5020_0000, "0") + POLLS_HELD,
        HELD,
    ),
    "a word that it writes at times": (TICK_COUNTS, ZERO + SERVES.format(""), "", AT_TIMES),
    "an interrupt of the other core": (WRITES_AT_FIVE, ZERO + SERVES.format(""), "", FIVE),
    "an event of its interrupt": (WRITES_AT_FIVE, ZERO + SERVES.format("wfe\n"), "", FIVE),
    "an interrupt beside its ticks": (TICKS_TOO, ZERO + SERVES.format(""), "", FIVE_AND_TICKS),
}
NOT_RELEASED = {
    "another word": (WRITES_BESIDE, SERVES.format(""), "still waits for another core"),
    "another word, with events": (WRITES_BESIDE, SERVES.format("wfe\n"), "still waits for another core"),
    "a word that it only looks at": (
        WRITES_BESIDE,
        SERVES.format("ldr r2, [r0, #4]\n cmp r1, #0\n"),
        "still waits for another core",
    ),
    "a word that it looks at from time to time": (
        WRITES_BESIDE,
        COUNTS_DOWN
        + FLAG
        + ADDS
        + "ldr r0, =0x38010010\n ldr r1, [r0]\n cmp r1, #0\n beq 7b\n8: b 8b\n .ltorg\n",
        "is still busy",
    ),
    "a timer that stands": (
        TICK_COUNTS,
        store(0xE000_E014, "0xFFF") + FLAG + ADDS + "b 7b\n .ltorg\n",
        "endless loop",
    ),
    "a word of its own": (
        WRITES_IT,
        OWN + "1: ldr r1, [r2]\n cmp r1, #0\n beq 1b\n str r4, [r2]\n b 1b\n .ltorg\n",
        "endless loop",
    ),
    "a word of its own, and counts": (
        WRITES_IT,
        OWN + "1: ldr r3, [r2, #4]\n adds r3, #1\n str r3, [r2, #4]\n ldr r1, [r2]\n cmp r1, #0\n beq 1b\n"
        " str r4, [r2]\n b 1b\n .ltorg\n",
        "is still busy",
    ),
    "another word, and counts": (WRITES_BESIDE, COUNTS_IDLE, "is still busy"),
    "another word, between delays": (WRITES_BESIDE, DELAYS, "is still busy"),
    "nothing, and counts": (WRITES_IT, OWN + "1: " + COUNTER + "b 1b\n .ltorg\n", "is still busy"),
    "nothing, and computes": (WRITES_IT, "1: adds r5, #1\n b 1b\n .ltorg\n", "is still busy"),
    "another word than what beats": (
        BEATS,
        ZERO + "1: ldr r1, [r0]\n ldr r3, [r0, #8]\n cmp r3, #0\n beq 1b\n2: b 2b\n .ltorg\n",
        "still waits for another core",
    ),
    "once, and hangs": (WRITES_IT, ZERO + "1: " + POLL + AGAIN[:-5] + "2: b 2b\n .ltorg\n", "endless loop"),
    "a mailbox that nobody sends": (TAKES_BACK, POLLS_MAILBOX, "endless loop", MAILBOX),
    "a register that nobody writes": (WRITES.format("0x50200040"), POLLS_HELD, "endless loop", HELD),
    "another word of an interrupt": (AT_FIVE_BESIDE, ZERO + SERVES.format(""), "endless loop", "", FIVE),
    "an interrupt that is not enabled": (
        WRITES_AT_FIVE + COUNT,
        ZERO + SERVES.format(""),
        "still waits for another core",
    ),
    "an interrupt that is masked": (
        WRITES_AT_FIVE,
        ZERO + SERVES.format(""),
        "endless loop",
        "",
        enabled(5) + "cpsid i\n" + SLEEP,
    ),
    "another word later": (
        WRITES_IT,
        "movs r5, #3\n ldr r0, =0x38010010\n str r4, [r0, #8]\n"
        + WAITS.format("")
        + "str r4, [r0]\n subs r5, #1\n bne 1b\n"
        "3: ldr r1, [r0, #8]\n cmp r1, #0\n beq 3b\n .ltorg\n",
        "still waits for another core",
    ),
}


def beside_writer(handler: str, program: str, core: str, table: str = "", other: str = "") -> Rehearsal:
    """``program`` on ``core``; the other one ticks, or does as ``other`` says, with ``handler``."""
    own = dict.fromkeys(("station", "sampler"), other or TICKS + SLEEP) | {core: program}
    release = result("r4") + store(VECTORS, "0x10008000") + store(CONTROL, "0")
    cores = ("sampler", "station") if core == "station" else ("station", "sampler")
    return run(
        release + own["station"],
        table.format(*cores),
        handler=handler,
        sampler=own["sampler"],
        budget=300_000,
    )


@pytest.mark.parametrize("core", ["station", "sampler"])
@pytest.mark.parametrize("name", RELEASED)
def test_a_wait_that_is_ended_again_and_again(name: str, core: str) -> None:
    """No interrupt is enabled: what the other core does, in ticks or interrupts, ends the idle state, or the timer."""
    handler, program, *around = RELEASED[name]
    rehearsal = beside_writer(handler, program, core, *around)
    assert rehearsal.outcome == "started", rehearsal.findings


@pytest.mark.parametrize("core", ["station", "sampler"])
@pytest.mark.parametrize("name", NOT_RELEASED)
def test_a_wait_that_nothing_ends(name: str, core: str) -> None:
    """The other core ticks, and writes; what this one waits for does not come."""
    handler, program, said, *around = NOT_RELEASED[name]
    rehearsal = beside_writer(handler, program, core, *around)
    kind = "endless-loop" if said == "endless loop" else "no-idle-state"
    errors = [each for each in rehearsal.findings if each.severity == "error"]
    assert [(each.kind, each.core) for each in errors] == [(kind, core)]
    assert said in errors[0].what


@pytest.mark.parametrize("core", ["station", "sampler"])
def test_a_wait_that_ends_so_many_times(core: str) -> None:
    """Ended once after the budget, the core comes back to it, or goes on to wait for what nobody writes.

    That it looks at one word of its own in both is nothing that it waits for.
    """
    left, outcomes = [], []
    for times in (5, 6, 7, 8, 9):
        program = (
            f"movs r5, #{times}\n" + OWN + ZERO + "1: ldr r3, [r2]\n " + POLL + "str r4, [r0]\n subs r5, #1\n"
            " ldr r3, =0x38010000\n str r5, [r3, #4]\n bne 1b\n3: ldr r3, [r2]\n ldr r1, [r0, #8]\n"
            " cmp r1, #0\n beq 3b\n .ltorg\n"
        )
        rehearsal = beside_writer(WRITES_IT, program, core)
        left.append(rehearsal.shared_memory["link"][4])
        outcomes.append(rehearsal.outcome)
    assert {0, 1, 2} <= {*left}
    assert outcomes == ["started" if each > 1 else "fails" for each in left]


def test_two_cores_that_end_nothing_but_each_others_wait() -> None:
    """Nothing from outside ever comes to them."""
    turns = P + "1: ldr r1, [r0]\n lsls r2, r1, #31\n b{0} 1b\n adds r1, #1\n str r1, [r0]\n b 1b\n .ltorg\n"
    rehearsal = beside_writer("", turns.format("ne"), "station", "", turns.format("eq"))
    assert {(each.kind, each.core) for each in rehearsal.findings} == {
        ("no-idle-state", "station"),
        ("no-idle-state", "sampler"),
    }


def test_a_device_that_repeats_is_followed_for_its_period(monkeypatch: pytest.MonkeyPatch) -> None:
    """What does not end a wait within that never does: the other core's turns, which each YIELD ends, are few."""
    turns: list[int] = []
    run_core = Device.run

    def counted(device: Device, core: EmulatedCore, limit: int) -> None:
        turns.append(limit)
        run_core(device, core, limit)

    monkeypatch.setattr(Device, "run", counted)
    waits = P + "1: ldr r1, [r0, #{0}]\n yield\n cmp r1, #0\n beq 1b\n .ltorg\n"
    rehearsal = beside_writer("", waits.format(0), "station", "", waits.format(4))
    assert rehearsal.outcome == "fails"
    assert len(turns) < 2_000


def test_short_sleeps_do_not_make_a_run_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without goals a core that is woken each 256 instructions is not looked at for the whole budget's time."""
    monkeypatch.setattr(device_run, "LONG_ASLEEP", 1_000_000)
    ticks = store(0xE000_E014, "0xFF") + store(0xE000_E010, "7")
    for period, time in (("0xFF", 1_000_000), ("0x1FFF", 2_000_000)):
        program = ticks.replace("0xFF", period) + enabled(5) + SLEEP
        rehearsal = run(program, "", handler=COUNT, without_release=True, budget=2_000_000)
        assert time <= rehearsal.time < time + 20_000


BOUNDS = {
    "FOLLOWED": ("seldom", 100_000),
    "AN_EXCEPTION": ("seldom", 100_000),
    "WINDOWS": ("delays between two looks", (4096,)),
    "MAX_LOOKS": ("polls", 3),
    "TURN": ("a word that it writes at times", 10_000_000),
}


@pytest.mark.parametrize("bound", BOUNDS)
def test_bounds_of_what_is_followed(bound: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond it what ends the wait is not seen; ``MAX_LOOKS`` counts four for a wait that ends once."""
    name, least = BOUNDS[bound]
    monkeypatch.setattr(released_loops, bound, least)
    handler, program, *around = RELEASED[name]
    assert beside_writer(handler, program, "station", *around).outcome == "fails"
    if bound == "MAX_LOOKS":
        monkeypatch.setattr(released_loops, bound, least + 1)
        assert beside_writer(handler, program, "station", *around).outcome == "started"


TICKED = """
static volatile uint32_t count;
void systick_handler(void) { count++; }
void scenario(void) { start_tick(2000); while (count < 3) WFI(); stop_tick(); }
"""


@pytest.mark.parametrize("mask", ["", "CPSID();"])
def test_a_wait_around_yield_after_a_look_ahead(mask: str, builder: Builder) -> None:
    """What a look ahead noted of a YIELD is of another time: the core is followed from where it was, and is named."""
    sleeps = Source(f"void scenario(void) {{ enable_irq(60, 0x40); {mask} for (;;) WFI(); }}")
    goals = (
        f'[[rehearsal.goal]]\ncore = "{core}"\ntext = "{core}: done"\n' for core in ("station", "sampler")
    )
    case = Case("case", "waits", Source(TICKED), sleeps, layout=tuple((goal, "") for goal in goals))
    (finding,) = product_of(case, builder.build(case)).rehearse().findings
    assert (finding.kind, finding.core) == ("endless-loop", "station")
    assert "0x3801_0004" in finding.found
