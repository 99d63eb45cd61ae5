"""Other orders of the cores' instructions: races are found with both sides' accesses, sound programs are not named."""

from __future__ import annotations

from pathlib import Path

import pytest
from rehearse.differential.building import GCC, Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of
from rehearse.differential.suite import all_cases
from tools import required_tool

from gemel.rehearsal.result import Rehearsal, RehearsalFinding

BEFORE = ("SCENARIO_BEFORE_RELEASE",)

RACES = {
    "late initialisation": (
        "void scenario(void)\n{\n    spend(300);\n    LINK->word[4] = 41;\n}\n",
        'void scenario(void)\n{\n    spend(900);\n    show("setting", LINK->word[4]);\n}\n',
        (),
        ("station writes", "sampler reads", "0x3801_0018", "scenario"),
    ),
    "late initialisation by a loop": (
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 20; i++) {\n        LINK->word[i] = 3 * i;\n    }\n}\n",
        'void scenario(void)\n{\n    uint32_t sum = 0;\n    spend(400);\n    for (uint32_t i = 0; i < 20; i++) {\n'
        '        sum += LINK->word[i];\n    }\n    show("sum", sum);\n}\n',
        (),
        ("station writes", "sampler reads", "link + "),
    ),
    "lost counts": (
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 300; i++) {\n        LINK->word[2]++;\n    }\n}\n",
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 300; i++) {\n        LINK->word[2]++;\n    }\n"
        '    show("count", LINK->word[2]);\n}\n',
        (),
        ("station writes", "sampler writes", "0x3801_0010"),
    ),
    "lost bits": (
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 8; i++) {\n        LINK->word[3] |= 1u << i;\n"
        "        spend(5);\n    }\n}\n",
        "void scenario(void)\n{\n    for (uint32_t i = 8; i < 16; i++) {\n        LINK->word[3] |= 1u << i;\n"
        "        spend(5);\n    }\n}\n",
        (),
        ("station writes", "sampler writes", "0x3801_0014"),
    ),
    "a flag read early": (
        "void scenario(void)\n{\n    spend(300);\n    LINK->word[0] = 1;\n}\n",
        "void scenario(void)\n{\n    spend(700);\n    if (!LINK->word[0]) {\n        say(\"not ready\");\n        for (;;) {\n"
        "        }\n    }\n    say(\"ready\");\n}\n",
        (),
        ("station writes", "sampler reads", "0x3801_0008"),
    ),
    "data after its flag": (
        "void scenario(void)\n{\n    LINK->word[0] = 1;\n    spend(40);\n    LINK->word[1] = 77;\n}\n",
        'void scenario(void)\n{\n    while (!LINK->word[0]) {\n    }\n    spend(100);\n    show("value", LINK->word[1]);\n}\n',
        (),
        ("station writes", "sampler reads", "0x3801_000C"),
    ),
}  # fmt: skip
"""Station, sampler, macros of the station, and what the finding must say."""

SOUND = {
    "initialised before the release": (
        "void scenario(void)\n{\n    LINK->word[4] = 41;\n}\n",
        'void scenario(void)\n{\n    show("setting", LINK->word[4]);\n}\n',
        BEFORE,
    ),
    "mailbox with an answer": (
        'void scenario(void)\n{\n    for (uint32_t i = 1; i < 9; i++) {\n        LINK->word[1] = i * 7;\n        DMB();\n'
        '        LINK->word[0] = 1;\n        while (LINK->word[0]) {\n        }\n        show("answer", LINK->word[2]);\n    }\n}\n',
        "void scenario(void)\n{\n    for (uint32_t i = 1; i < 9; i++) {\n        while (!LINK->word[0]) {\n        }\n"
        "        LINK->word[2] = LINK->word[1] + 1;\n        DMB();\n        LINK->word[0] = 0;\n    }\n}\n",
        (),
    ),
    "counts of their own": (
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 300; i++) {\n        LINK->word[2]++;\n    }\n"
        '    while (LINK->word[3] < 300) {\n    }\n    show("both", LINK->word[2] + LINK->word[3]);\n}\n',
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 300; i++) {\n        LINK->word[3]++;\n    }\n}\n",
        (),
    ),
    "exclusive counts": (
        "static void add(volatile uint32_t *at)\n{\n    __atomic_fetch_add(at, 1, __ATOMIC_SEQ_CST);\n}\n"
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 200; i++) {\n        add(&LINK->word[2]);\n    }\n}\n",
        "static void add(volatile uint32_t *at)\n{\n    __atomic_fetch_add(at, 1, __ATOMIC_SEQ_CST);\n}\n"
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 200; i++) {\n        add(&LINK->word[2]);\n    }\n"
        "    spend(10);\n}\n",
        (),
    ),
    "the latest value": (
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 200; i++) {\n        LINK->word[5] = i;\n        spend(3);\n    }\n}\n",
        "void scenario(void)\n{\n    volatile uint32_t seen = 0;\n    for (uint32_t i = 0; i < 50; i++) {\n"
        "        seen = LINK->word[5];\n        spend(9);\n    }\n    (void)seen;\n    say(\"sampled\");\n}\n",
        (),
    ),
    "two owners by turns": (
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 30; i++) {\n        while (LINK->word[6] != 0) {\n        }\n"
        "        LINK->word[7]++;\n        DMB();\n        LINK->word[6] = 1;\n    }\n}\n",
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 30; i++) {\n        while (LINK->word[6] != 1) {\n        }\n"
        "        LINK->word[7]++;\n        DMB();\n        LINK->word[6] = 0;\n    }\n"
        '    show("count", LINK->word[7]);\n}\n',
        (),
    ),
    "Peterson's lock": (
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 40; i++) {\n        LINK->word[8] = 1;\n        LINK->word[10] = 1;\n"
        "        DMB();\n        while (LINK->word[9] && LINK->word[10] == 1) {\n        }\n        LINK->word[11]++;\n"
        "        DMB();\n        LINK->word[8] = 0;\n    }\n}\n",
        "void scenario(void)\n{\n    for (uint32_t i = 0; i < 40; i++) {\n        LINK->word[9] = 1;\n        LINK->word[10] = 0;\n"
        "        DMB();\n        while (LINK->word[8] && LINK->word[10] == 0) {\n        }\n        LINK->word[11]++;\n"
        "        DMB();\n        LINK->word[9] = 0;\n    }\n}\n",
        (),
    ),
}  # fmt: skip
FROM_SUITE = (
    "mailboxes-words",
    "mailboxes-ring",
    "mailboxes-doorbell",
    "mailboxes-lock",
    "mailboxes-monitor",
)


@pytest.fixture(scope="module")
def builder(tmp_path_factory: pytest.TempPathFactory) -> Builder:
    """The cross compilers, with what they have built."""
    for tool in (GCC, "clang"):
        required_tool(tool)
    return Builder(tmp_path_factory.mktemp("programs"))


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
