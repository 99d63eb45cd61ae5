"""Without goals: loops that poll a register which the layout does not describe for what comes from outside."""

from __future__ import annotations

import pytest
from rehearsals import Case as Product
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.programs.idioms import FOLDER as IDIOMS
from rehearse.test_offers import DEVICE, layout

TICKS = (
    "void systick_handler(void) {}\nvoid scenario(void) { SYST_RVR = 5000; SYST_CSR = 7; for (;;) WFI(); }\n"
)
LOOPS = {
    "characters that are received": (
        "for (;;) { if (DEV(4) & 2) LINK->word[3] = DEV(0); }",
        "started",
    ),
    "characters, that are sent back": (
        "for (;;) { if (REG(SERIAL + 4) & 2) put((char)REG(SERIAL)); }",
        "started",
    ),
    "a device that exchanges words": (
        "volatile uint32_t sum = 0; for (;;) { DEV(0) = 1; while (!(DEV(4) & 1)); sum += DEV(0); }",
        "fails",
    ),
    "characters, in a wait of its own": (
        "volatile uint32_t sum = 0; for (;;) { while (!(DEV(4) & 2)); sum += DEV(0); }",
        "started",
    ),
    "ready to send": (
        'for (;;) for (const char *c = "line\\n"; *c; c++) { while (!(DEV(4) & 1)); DEV(0) = *c; }',
        "fails",
    ),
    "conversions that it starts": (
        "volatile uint32_t sum = 0; for (;;) { DEV(8) = 1; while (!(DEV(4) & 1)); sum += DEV(0); }",
        "fails",
    ),
    "one word at start-up": ("while (!(DEV(4) & 1)); LINK->word[3] = DEV(0); for (;;) WFI();", "fails"),
    "some words at start-up": (
        "for (int i = 0; i < 100; i++) { while (!(DEV(4) & 1)); LINK->word[3] += DEV(0); } for (;;) WFI();",
        "fails",
    ),
    "a status alone": ("while (!(DEV(4) & 1)); for (;;) LINK->word[3]++;", "fails"),
}


@pytest.mark.parametrize("partner", ["sleeps", "ticks"])
@pytest.mark.parametrize("name", LOOPS)
def test_a_loop_that_polls(name: str, partner: str, builder: Builder) -> None:
    """It is idle if something comes again and again that it did not ask for; else it waits, and lines are proposed."""
    body, outcome = LOOPS[name]
    station = Source(f"{DEVICE}void scenario(void) {{ {body} }}\n", (), "gcc", ("-O1",))
    sampler = Source(TICKS if partner == "ticks" else LOOPS_OF_PARTNER)
    result = Product(layout(""), builder.build(Case(name, "polls", station, sampler))).rehearse(
        budget=600_000
    )
    assert result.outcome == outcome, result.findings
    waits = [each for each in result.findings if each.kind == "waits-for-register" and each.core == "station"]
    assert bool(waits) is (outcome == "fails")


LOOPS_OF_PARTNER = "void scenario(void) { NVIC_ISER(0) = 1u << 9; for (;;) WFI(); }\n"
"""An interrupt from outside wakes it."""

KERNEL = (IDIOMS / "kernel-idles-in-pendsv.c").read_text(encoding="utf-8")
HANDLER = KERNEL[KERNEL.index("void systick_handler") : KERNEL.index("NAKED void pendsv")]
LOOKS = ("dsb\\n wfi\\n isb\\n ", "")
WAIT = '"1: cpsid i\\n ldr r1,[r2]\\n str r1,[r0]\\n cbnz r1,2f\\n dsb\\n wfi\\n isb\\n cpsie i\\n b 1b\\n"'
IN_PENDSV = {
    "sleeps": ((), ()),
    "looks for a task": ((LOOKS,), ()),
    "looks for a task that no tick makes ready": (
        (LOOKS, (HANDLER, "void systick_handler(void) { now_++; }\n")),
        ("stays-in-handler",),
    ),
    "looks at nothing": (((WAIT, '"1: nop\\n b 1b\\n2:"'),), ("stays-in-handler",)),
}


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize("name", IN_PENDSV)
def test_a_kernel_that_waits_for_tasks_in_pendsv(name: str, compiler: str, builder: Builder) -> None:
    """It is idle where it sleeps, or looks at what a handler writes; else it never comes out of PendSV."""
    edits, kinds = IN_PENDSV[name]
    code = KERNEL
    for old, new in edits:
        assert old in code
        code = code.replace(old, new)
    station = Source(code, (), compiler, ("-O2",))
    case = Case(name, "polls", station, Source(TICKS))
    result = Product(layout(""), builder.build(case)).rehearse(budget=2_500_000)
    assert tuple(each.kind for each in result.findings) == kinds
    assert all("core station stays in pendsv_handler for PendSV" in each.what for each in result.findings)
    assert result.outcome == ("fails" if kinds else "started")


def test_what_a_core_does_little_else_than_take(builder: Builder) -> None:
    """A goal that is not reached says so of a task that does nothing but call its supervisor."""
    goal = '[[rehearsal.goal]]\ncore = "station"\ntext = "never"\n'
    code = "void svc_handler(void) {}\nvoid scenario(void) { start_tick(3000); for (;;) SVC(1); }\n"
    code += "void systick_handler(void) { LINK->word[3]++; }\n"
    pair = builder.build(Case("calls", "polls", Source(code), Source(TICKS)))
    (finding,) = Product(layout(goal), pair).rehearse(budget=100_000).findings
    assert finding.kind == "goal-not-reached"
    assert "core station runs; it takes SVCall again and again (" in finding.found
