"""Other orders of the cores' instructions: races are found with both sides' accesses, sound programs are not named."""

from __future__ import annotations

import pytest
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of
from rehearse.differential.suite import all_cases

from gemel.rehearsal.result import Rehearsal, RehearsalFinding

BEFORE = ("SCENARIO_BEFORE_RELEASE",)

ADD = "static void add(volatile uint32_t *at) { __atomic_fetch_add(at, 1, __ATOMIC_SEQ_CST); }\n"


def program(body: str) -> str:
    """C of one core."""
    return f"void scenario(void)\n{{\n{body}\n}}\n"


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
}
"""Station, sampler, macros of the station, and what the finding must say."""

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
