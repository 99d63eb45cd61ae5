"""Other orders of the cores' instructions: races are found with both sides' accesses, sound programs are not named."""

from __future__ import annotations

from itertools import permutations, product

import pytest
from rehearsals import device
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of
from rehearse.differential.suite import all_cases

from gemel.inspection.inspection import Inspection
from gemel.rehearsal import session
from gemel.rehearsal.raw_run import RawRun
from gemel.rehearsal.result import Rehearsal, RehearsalFinding
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.orders import worst_of
from gemel.structs import replace

BEFORE = ("SCENARIO_BEFORE_RELEASE",)

ADD = "static void add(volatile uint32_t *at) { __atomic_fetch_add(at, 1, __ATOMIC_SEQ_CST); }\n"


def program(body: str) -> str:
    """C of one core."""
    return f"void scenario(void)\n{{\n{body}\n}}\n"


PLAIN_LOCK = (
    "for (uint32_t i = 0; i < 60; i++) { while (LINK->word[8]) { } LINK->word[8] = 1; LINK->word[9]++; "
    "LINK->word[8] = 0; spend(2); }"
)
MOST = (
    "for (uint32_t i = 0; i < 60; i++) { if (LINK->word[2] < NUMBER) { LINK->word[2] = NUMBER; } spend(3); }"
)
FAR = (
    "for (uint32_t i = 0; i < 60; i++) { uint32_t count = LINK->word[2]; spend(2); NAMED = i; NAMED = i; "
    "NAMED = i; NAMED = i; LINK->word[2] = count + 1; }"
).replace("NAMED", "LINK->word[NAME[1] == 't' ? 12 : 13]")
BOTH_WRITE = ("station writes", "sampler writes", "scenario")

RACES = {
    "late initialisation": (
        program("spend(300); LINK->word[4] = 41;"),
        program('spend(900); show("setting", LINK->word[4]);'),
        (),
        ("station writes", "sampler reads", "0x3801_0018", "scenario"),
    ),
    "late initialisation by a loop": (
        program("for (uint32_t i = 0; i < 20; i++) { LINK->word[i] = 3 * i; }"),
        program(
            "uint32_t sum = 0; spend(400); for (uint32_t i = 0; i < 20; i++) { sum += LINK->word[i]; "
            '} show("sum", sum);'
        ),
        (),
        ("station writes", "sampler reads", "link + "),
    ),
    "lost counts": (
        program("for (uint32_t i = 0; i < 300; i++) { LINK->word[2]++; }"),
        program('for (uint32_t i = 0; i < 300; i++) { LINK->word[2]++; } show("count", LINK->word[2]);'),
        (),
        ("station writes", "sampler writes", "0x3801_0010"),
    ),
    "lost bits": (
        program("for (uint32_t i = 0; i < 8; i++) { LINK->word[3] |= 1u << i; spend(5); }"),
        program("for (uint32_t i = 8; i < 16; i++) { LINK->word[3] |= 1u << i; spend(5); }"),
        (),
        ("station writes", "sampler writes", "0x3801_0014"),
    ),
    "a flag read early": (
        program("spend(300); LINK->word[0] = 1;"),
        program('spend(700); if (!LINK->word[0]) { say("not ready"); for (;;) { } } say("ready");'),
        (),
        ("station writes", "sampler reads", "0x3801_0008"),
    ),
    "data after its flag": (
        program("LINK->word[0] = 1; spend(40); LINK->word[1] = 77;"),
        program('while (!LINK->word[0]) { } spend(100); show("value", LINK->word[1]);'),
        (),
        ("station writes", "sampler reads", "0x3801_000C"),
    ),
    "a setting read in a loop": (
        program("spend(500); LINK->word[7] = 4;"),
        program(
            "uint32_t sum = 0; for (uint32_t i = 0; i < 30; i++) { sum = sum * 3 + LINK->word[7]; spend(7); } "
            'show("sum", sum);'
        ),
        (),
        ("station writes 0x4", "sampler reads", "0x3801_0024"),
    ),
    "data read again until the patience ends": (
        program("spend(200); LINK->word[3] = 9;"),
        program(
            "uint32_t tries = 0, value = 0; while (tries < 5 && value == 0) { value = LINK->word[3]; "
            'spend(10); tries++; } show("value", value);'
        ),
        (),
        ("station writes 0x9", "sampler reads", "0x3801_0014"),
    ),
    "a length that ends the loop": (
        program("spend(100); LINK->word[0] = 8;"),
        program(
            "uint32_t sum = 0; spend(60); for (uint32_t i = 0; i < LINK->word[0]; i++) { sum += i; } "
            'show("sum", sum);'
        ),
        (),
        ("station writes 0x8", "sampler reads", "0x3801_0008"),
    ),
    "a sequence lock without its second look": (
        program(
            "for (uint32_t i = 0; i <= 40; i++) { LINK->word[4]++; DMB(); LINK->word[5] = i; spend(i % 9); "
            "LINK->word[6] = ~i; DMB(); LINK->word[4]++; spend(3); }"
        ),
        program(
            "uint32_t torn = 0, last = 0; while (last < 40) { uint32_t s, a, b; do { s = LINK->word[4]; DMB(); "
            "a = LINK->word[5]; b = LINK->word[6]; } while (s & 1); if (a != ~b && s) { torn++; } last = a; } "
            'show("torn", torn);'
        ),
        (),
        ("station writes", "sampler reads"),
    ),
    "a ring's place given back before it is read": (
        program(
            "for (uint32_t i = 0; i < 24; i++) { while (LINK->word[8] - LINK->word[9] >= 2) { } "
            "LINK->word[i % 2] = i * 3 + 1; DMB(); LINK->word[8] = i + 1; }"
        ),
        program(
            "uint32_t sum = 0; for (uint32_t i = 0; i < 24; i++) { while (LINK->word[8] == LINK->word[9]) { } "
            "LINK->word[9] = i + 1; DMB(); spend(i % 5); sum = sum * 3 + LINK->word[i % 2]; } "
            'show("sum", sum);'
        ),
        (),
        ("station writes", "sampler reads"),
    ),
    "a plain lock that both may take": (
        program(PLAIN_LOCK),
        program(PLAIN_LOCK + " spend(3);"),
        (),
        BOTH_WRITE,
    ),
    "the most that both have seen": (
        program(MOST.replace("NUMBER", "i * 2")),
        program(MOST.replace("NUMBER", "i * 2 + 1") + 'show("most", LINK->word[2]);'),
        (),
        (*BOTH_WRITE, "0x3801_0010"),
    ),
    "counts with work in between": (
        program(FAR),
        program(FAR + " spend(4);"),
        (),
        (*BOTH_WRITE, "0x3801_0010"),
    ),
}
"""Station, sampler, macros of the station, and what the finding must say."""

TICKETS = (
    "for (uint32_t i = 0; i < 30; i++) { uint32_t own = __atomic_fetch_add(&LINK->word[0], 1, __ATOMIC_SEQ_CST); "
    "while (LINK->word[1] != own) { } LINK->word[2] += 3; DMB(); LINK->word[1] = own + 1; }"
)

SOUND = {
    "initialised before the release": (
        program("LINK->word[4] = 41;"),
        program('show("setting", LINK->word[4]);'),
        BEFORE,
    ),
    "mailbox with an answer": (
        program(
            "for (uint32_t i = 1; i < 9; i++) { LINK->word[1] = i * 7; DMB(); LINK->word[0] = 1; "
            'while (LINK->word[0]) { } show("answer", LINK->word[2]); }'
        ),
        program(
            "for (uint32_t i = 1; i < 9; i++) { while (!LINK->word[0]) { } "
            "LINK->word[2] = LINK->word[1] + 1; DMB(); LINK->word[0] = 0; }"
        ),
        (),
    ),
    "counts of their own": (
        program(
            "for (uint32_t i = 0; i < 300; i++) { LINK->word[2]++; } while (LINK->word[3] < 300) { } "
            'show("both", LINK->word[2] + LINK->word[3]);'
        ),
        program("for (uint32_t i = 0; i < 300; i++) { LINK->word[3]++; }"),
        (),
    ),
    "exclusive counts": (
        ADD + program("for (uint32_t i = 0; i < 200; i++) { add(&LINK->word[2]); }"),
        ADD + program("for (uint32_t i = 0; i < 200; i++) { add(&LINK->word[2]); } spend(10);"),
        (),
    ),
    "the latest value": (
        program("for (uint32_t i = 0; i < 200; i++) { LINK->word[5] = i; spend(3); }"),
        program(
            "volatile uint32_t seen = 0; for (uint32_t i = 0; i < 50; i++) { seen = LINK->word[5]; "
            'spend(9); } (void)seen; say("sampled");'
        ),
        (),
    ),
    "two owners by turns": (
        program(
            "for (uint32_t i = 0; i < 30; i++) { while (LINK->word[6] != 0) { } LINK->word[7]++; "
            "DMB(); LINK->word[6] = 1; }"
        ),
        program(
            "for (uint32_t i = 0; i < 30; i++) { while (LINK->word[6] != 1) { } LINK->word[7]++; "
            'DMB(); LINK->word[6] = 0; } show("count", LINK->word[7]);'
        ),
        (),
    ),
    "Peterson's lock": (
        program(
            "for (uint32_t i = 0; i < 40; i++) { LINK->word[8] = 1; LINK->word[10] = 1; DMB(); "
            "while (LINK->word[9] && LINK->word[10] == 1) { } LINK->word[11]++; DMB(); "
            "LINK->word[8] = 0; }"
        ),
        program(
            "for (uint32_t i = 0; i < 40; i++) { LINK->word[9] = 1; LINK->word[10] = 0; DMB(); "
            "while (LINK->word[8] && LINK->word[10] == 0) { } LINK->word[11]++; DMB(); "
            "LINK->word[9] = 0; }"
        ),
        (),
    ),
    "a wait that counts and says so": (
        program("spend(50); LINK->word[1] = 5; DMB(); LINK->word[0] = 1;"),
        program(
            'uint32_t n = 0; while (!LINK->word[0]) { n++; } show("waited", n); show("value", LINK->word[1]);'
        ),
        (),
    ),
    "a loop for work that says how long it had none": (
        program(
            "for (uint32_t i = 0; i < 10; i++) { while (LINK->word[0]) { } LINK->word[1] = i; DMB(); "
            "LINK->word[0] = 1; spend(30); }"
        ),
        program(
            "uint32_t got = 0, idle = 0; while (got < 10) { if (LINK->word[0]) { got += LINK->word[1] < 10; DMB(); "
            'LINK->word[0] = 0; } else { idle++; } } show("idle", idle);'
        ),
        (),
    ),
    "beats while waiting": (
        program(
            "for (uint32_t i = 0; i < 10; i++) { while (LINK->word[0]) { LINK->word[6]++; } LINK->word[1] = i; DMB(); "
            "LINK->word[0] = 1; spend(30); }"
        ),
        program(
            "uint32_t sum = 0; for (uint32_t i = 0; i < 10; i++) { while (!LINK->word[0]) { LINK->word[5]++; "
            'spend(3); } sum = sum * 3 + LINK->word[1]; DMB(); LINK->word[0] = 0; } show("sum", sum);'
        ),
        (),
    ),
    "a ring of equal messages": (
        program(
            "for (uint32_t i = 0; i < 40; i++) { while (LINK->word[8] - LINK->word[9] >= 4) { } "
            "LINK->word[i % 4] = 7; DMB(); LINK->word[8] = i + 1; }"
        ),
        program(
            "uint32_t sum = 0; for (uint32_t i = 0; i < 40; i++) { while (LINK->word[8] == LINK->word[9]) { } "
            'sum += LINK->word[i % 4]; DMB(); LINK->word[9] = i + 1; } show("sum", sum);'
        ),
        (),
    ),
    "a lock by tickets": (program(TICKETS), program(TICKETS), ()),
    "one word that goes round": (
        program(
            "for (uint32_t i = 0; i < 20; i++) { while (LINK->word[0] & 1) { } LINK->word[1] = LINK->word[1] * 3 + 1; "
            "DMB(); LINK->word[0]++; }"
        ),
        program(
            "for (uint32_t i = 0; i < 20; i++) { while (!(LINK->word[0] & 1)) { } "
            "LINK->word[1] = LINK->word[1] * 5 + 2; DMB(); LINK->word[0]++; }"
        ),
        (),
    ),
}
FROM_SUITE = (
    "mailboxes-words",
    "mailboxes-ring",
    "mailboxes-doorbell",
    "mailboxes-lock",
    "mailboxes-monitor",
)


def rehearsed(
    builder: Builder, station: str, sampler: str, defines: tuple[str, ...], level: str, orders: int = 5
) -> Rehearsal:
    """A rehearsal of two programs in that many other orders."""
    case = Case(
        "case", "races", Source(station, defines, "gcc", (level,)), Source(sampler, (), "gcc", (level,))
    )
    return product_of(case, builder.build(case)).rehearse(interleavings=orders)


def races(result: Rehearsal) -> list[RehearsalFinding]:
    """The findings that are races."""
    return [finding for finding in result.findings if finding.kind == "race"]


@pytest.mark.parametrize("level", ["-O0", "-O2"])
@pytest.mark.parametrize("name", RACES)
def test_race_is_found_with_both_accesses(name: str, level: str, builder: Builder) -> None:
    """The address, both cores, what each does there, its function and line; the same again by the same seed."""
    station, sampler, defines, said = RACES[name]
    result = rehearsed(builder, station, sampler, defines, level)
    found = races(result)
    assert found
    assert any(all(each in finding.found for each in said) for finding in found), [f.found for f in found]
    assert all("program.c:" in finding.found for finding in found)
    assert rehearsed(builder, station, sampler, defines, level) == result


@pytest.mark.parametrize("name", ["lost counts", "lost bits", "a flag read early"])
def test_what_a_race_can_break_does_not_pass(name: str, builder: Builder) -> None:
    """Changes that can be lost, and an order that hangs, are errors."""
    station, sampler, defines, _ = RACES[name]
    assert not rehearsed(builder, station, sampler, defines, "-O1").passes


def test_an_order_that_hangs_ends_before_its_budget(builder: Builder) -> None:
    """A core that hangs in another order only is seen to, though the cores' distance in time is drawn by chance."""
    station, sampler, defines, _ = RACES["a flag read early"]
    result = rehearsed(builder, station, sampler, defines, "-O1")
    assert result.finding("endless-loop") is not None
    assert 10_000 < result.time < 1_000_000


@pytest.mark.parametrize("level", ["-O0", "-O2"])
@pytest.mark.parametrize("name", SOUND)
def test_sound_program_is_not_named(name: str, level: str, builder: Builder) -> None:
    """Releases, flags, exclusives and locks of plain words order what they guard."""
    result = rehearsed(builder, *SOUND[name], level)
    assert [(finding.kind, finding.found) for finding in result.findings] == []


@pytest.mark.parametrize(
    "case",
    [each for each in all_cases() if each.fails is None and each.name.startswith(FROM_SUITE)],
    ids=lambda c: c.name,
)
def test_sound_program_of_the_suite_is_not_named(case: Case, builder: Builder) -> None:
    """What the suite has of mailboxes, rings, doorbells and locks has no race in any order."""
    result = product_of(case, builder.build(case)).rehearse(interleavings=3)
    assert [(finding.kind, finding.found) for finding in result.findings] == []


def test_an_order_in_which_a_core_is_slow_gets_the_time_it_takes(builder: Builder) -> None:
    """A budget that lasts for the first order is no reason to fail in one in which a core is four times as slow."""
    case = Case("long", "races", Source(), Source("void scenario(void) { spend(3000); }\n"))
    product = product_of(case, builder.build(case))
    took = product.rehearse().time
    assert product.rehearse(budget=took + 2_000, interleavings=2).passes
    assert not product.rehearse(budget=took - 2_000, interleavings=2).passes


KERNEL_CALLS = """static volatile unsigned counter, ticks, events;
USED static void count(void) { unsigned c = counter; for (int i = 0; i < 3; i++) { NOP(); } counter = c + 1; }
USED static void call(void)
{
    unsigned before = MRS("basepri");

    MSR("basepri", 0x40);
    events++;
    count();
    MSR("basepri", before);
}
void systick_handler(void) { ticks++; TICK }
void irq60_handler(void) { EVENT }
void scenario(void)
{
    unsigned loops = 0, seen = 0;

    SHPR(15) = TICK_PRIORITY;
    start_tick(999);
    enable_irq(60, EVENT_PRIORITY);
    while (ticks < 200) {
        while (ticks == seen) {
        }
        seen = ticks;
        for (unsigned round = ROUNDS; round; round--) {
            NOP();
        }
        MSR("basepri", 0x40);
        ISB();
        count();
        MSR("basepri", 0);
        ISB();
        loops++;
    }
    SYST_CSR = 0;
    NVIC_ICER(1) = ~0u;
    SHOW
    for (; counter != loops + events;) { NOP(); }
}
"""
EVENTS = '[[rehearsal.event]]\ncore = "station"\nevery = 1000\ninterrupt = 60\n[rehearsal]\n'
MOMENTS = {
    "a tick above the mask": ("0x20", "call();", "0x80", "", 310, True),
    "a tick that is masked": ("0x40", "call();", "0x80", "", 310, False),
    "a tick long after": ("0x20", "call();", "0x80", "", 200, False),
    "an event above the mask": ("0x80", "", "0x20", "call();", 100, True),
    "an event that is masked": ("0x80", "", "0x40", "call();", 100, False),
}


@pytest.mark.parametrize("show", ["", 'show("events", events);'])
@pytest.mark.parametrize("name", MOMENTS)
def test_a_kernel_called_by_an_interrupt_above_its_mask(name: str, show: str, builder: Builder) -> None:
    """Orders move ticks and events of devices into what the mask protects; a text that counts them is no race."""
    tick_priority, tick, event_priority, event, rounds, fails = MOMENTS[name]
    code = KERNEL_CALLS.replace("TICK_PRIORITY", tick_priority).replace("EVENT_PRIORITY", event_priority)
    code = (
        code.replace("TICK", tick)
        .replace("EVENT", event)
        .replace("ROUNDS", str(rounds))
        .replace("SHOW", show)
    )
    layout = (("[rehearsal]\n", EVENTS),) if event else ()
    case = Case("moments", "races", Source(code, (), "gcc", ("-O2",)), Source(), layout=layout)
    product = product_of(case, builder.build(case))
    assert product.rehearse().passes
    result = product.rehearse(interleavings=6)
    kinds = [each.kind for each in result.findings]
    assert kinds in ([["goal-not-reached"], ["endless-loop"]] if fails else [[]])
    said = ", in which ticks and events of devices come earlier; the usual order has nothing"
    assert any(each.endswith(said) for each in result.notes) is fails


def finding(kind: str) -> RehearsalFinding:
    """An error of that kind."""
    return RehearsalFinding(kind, "error", "station", 1, 1, kind, "", "", "", None)


ORDERS = {
    "fails": (finding("endless-loop"),),
    "no verdict": (finding("instruction-not-emulated"),),
    "passes": (),
}


@pytest.mark.parametrize("outcomes", [*permutations(ORDERS), *product(ORDERS, repeat=2)])
def test_the_verdict_is_the_worst(outcomes: tuple[str, ...]) -> None:
    """An order that fails decides, wherever it comes; else one without a verdict, and a note says which it is."""
    subject = device()
    plain = replace(subject.rehearse(), findings=())
    orders = [(replace(plain, findings=ORDERS[each]), None) for each in outcomes]
    names = CodeNames(Inspection(subject.read, subject.image, subject.builds), {})
    result = worst_of(orders, names)
    worst = next(each for each in ORDERS if each in outcomes)
    assert result.outcome == worst
    at = outcomes.index(worst)
    usual = "nothing" if outcomes[0] == "passes" else "no verdict"
    assert (f"found in order {at}; the usual order has {usual}" in result.notes) is (at > 0)


def test_no_two_orders_are_the_same(builder: Builder, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each order, drawn or with a pause where a race may be, lets the cores touch shared words in another sequence."""
    traces = []

    def judged(orders: list[tuple[Rehearsal, RawRun]], *_: object) -> Rehearsal:
        traces.extend([(each.core, each.pc) for each in run.trace.entries] for _, run in orders if run.trace)
        return orders[0][0]

    monkeypatch.setattr(session, "worst_of", judged)
    station, sampler, defines, _ = RACES["lost counts"]
    rehearsed(builder, station, sampler, defines, "-O1", orders=14)
    assert len(traces) == 15
    assert len({tuple(trace) for trace in traces}) == len(traces)


BELL = """static volatile int rung;
void doorbell_handler(void) { RING_CLEAR = 0xF; rung = 1; }
void scenario(void)
{
    enable_irq(DOORBELL, 0);
    LINK->word[1] = 1;
    %s
}
"""
SLEEPS = {
    "no mask": ("while (!rung) WFI();", True),
    "no mask, in a function": ("while (1) { if (rung) return; NOP(); WFI(); }", True),
    "masked from the test on": ("CPSID(); while (!rung) { WFI(); CPSIE(); ISB(); CPSID(); } CPSIE();", False),
    "WFE, for which the interrupt is an event": ("while (!rung) WFE();", False),
    "ticks, which come again": (
        "SYST_RVR = 5000; SYST_CVR = 0; SYST_CSR = 7; while (!rung) WFI(); SYST_CSR = 0;",
        False,
    ),
}
RINGS = "void scenario(void) { while (!LINK->word[1]); spend(1); RING_OTHER = 1; %s }\n"


@pytest.mark.parametrize("name", SLEEPS)
def test_an_interrupt_between_a_test_and_the_sleep(name: str, builder: Builder) -> None:
    """An order has it come there: without a mask the core sleeps for ever, which is found, with the place of WFI."""
    waits, lost = SLEEPS[name]
    handler = "void systick_handler(void) {}\n" if "SYST" in waits else ""
    result = rehearsed(builder, handler + BELL % waits, RINGS % "", (), "-O1", orders=4)
    found = [each for each in races(result) if "between its test and WFI" in each.what]
    assert bool(found) is lost, result.findings
    assert result.passes is not lost
    if lost:
        assert found[0].core == "station"
        assert found[0].place is not None
        assert found[0].place.function.startswith("scenario + ")


def test_a_partner_without_patience_is_no_lost_interrupt(builder: Builder) -> None:
    """The order in which the core is late fails for another reason than a sleep, and does not count."""
    answers = BELL % "while (!rung) WFI(); LINK->word[2] = 1;"
    gives_up = (
        RINGS % 'for (int i = 0; i < 3000; i++) if (LINK->word[2]) return; say("late"); for (;;) WFI();'
    )
    assert not races(rehearsed(builder, answers, RINGS % "", (), "-O1", orders=1))
    masked = answers.replace("while (!rung) WFI();", SLEEPS["masked from the test on"][0])
    result = rehearsed(builder, masked, gives_up, (), "-O1", orders=4)
    assert result.passes, result.findings
