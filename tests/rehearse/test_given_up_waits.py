"""Drivers that give up a wait, by an error loop, a trap or a reset: the register is proposed, where it leads on."""

from __future__ import annotations

from typing import Any

import pytest
from rehearsals import Case as Product
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.test_offers import COMPILERS, DEVICE, REACHED, WORD, elves_of, layout, rehearsed

from gemel.rehearsal.emulator import device_run, given_up_waits
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawRun
from gemel.rehearsal.result import RehearsalFinding
from gemel.text.wrapping import step_lines

ERROR = "USED void error_handler(void) { CPSID(); for (;;) NOP(); }\n"
BY_COUNT = (
    ERROR + "USED void wait_for(uint32_t offset, uint32_t bits) {\n"
    "    for (int i = 0; !(DEV(offset) & bits); i++) { if (i == 1000) error_handler(); }\n}\n"
)
BY_TICKS = (
    "volatile uint32_t ticks;\nvoid systick_handler(void) { ticks++; }\n"
    "USED void error_handler(void) { for (;;) NOP(); }\n"
    "USED void wait_for(uint32_t offset, uint32_t bits) {\n"
    "    uint32_t began = ticks;\n    if (!(SYST_CSR & 1)) start_tick(999);\n"
    "    while (!(DEV(offset) & bits)) { if (ticks - began > 20) error_handler(); }\n}\n"
)
REPORTS_ERRORS = BY_COUNT.replace("i++) {", "i++) { if (DEV(offset) & 0x100) error_handler();")
ERRORS_FIRST = BY_COUNT.replace(
    "!(DEV(offset) & bits); i++) {", "; i++) {\n    uint32_t s = DEV(offset);\n"
).replace("if (i ==", "if (s & 0x100) error_handler(); if (s & bits) break; if (i ==")
ONE = "wait_for(4, 2); DEV(8) = 1; "
IN_ONE_BYTE = ERRORS_FIRST.replace("s & 0x100", "s & 0xC")
GIVES_UP = {
    "by a count": (BY_COUNT, ONE, 0x2),
    "by ticks": (BY_TICKS, ONE + "stop_tick(); ", 0x2),
    "bits one after the other": (BY_COUNT, ONE + "wait_for(4, 0x40); wait_for(4, 0x10000); ", 0x10042),
    "with bits that report errors": (REPORTS_ERRORS, ONE, 0x2),
    "after bits that report errors": (ERRORS_FIRST, ONE, 0x2),
    "after bits of the same byte that report errors": (IN_ONE_BYTE, ONE, 0x2),
    "to a loop that shows it by a register": (BY_COUNT.replace("NOP();", "DEV(0x20) ^= 1;"), ONE, 0x2),
    "a bit, after one that says busy": (
        BY_COUNT + "#define BUSY 0x8000u\n",
        f"while (DEV(4) & BUSY); {ONE}",
        0x2,
    ),
    "of a driver that checks once more": (
        BY_COUNT + "USED void check(int fails) { if (fails) error_handler(); }\n",
        "LINK->word[4] = 0; wait_for(4, 2); check(LINK->word[4] != 0); ",
        0x2,
    ),
}
PROPOSES_NOTHING = {
    "what it reads decides nothing": (
        ERROR,
        "for (int i = 0; i < 1000; i++) LINK->word[3] += DEV(4); error_handler(); ",
    ),
    "a bit that reports an error leads there": (
        BY_COUNT.replace("& bits)", "& bits) && !(DEV(offset) & 0x100)"),
        "int i = 0; while (!(DEV(4) & 0x100) && i < 1000) i++; LINK->word[3] += 1; error_handler(); ",
    ),
    "it polls what the layout describes": (
        ERROR,
        "for (int i = 0; i < 1000; i++) LINK->word[3] += SERIAL_BUSY; error_handler(); ",
    ),
    "the bits lead to a fault": (
        BY_COUNT,
        'wait_for(4, 2); DEV(8) = 1; if (DEV(4) & 2) { show("now", 1); REG(UNMAPPED) = 1; } ',
    ),
}


def finding_of(builder: Builder, compiler: tuple[str, str], functions: str, body: str) -> RehearsalFinding:
    """The finding about an error loop, after a driver's functions and the program's body."""
    program = f"{functions}void scenario(void) {{ {body}{REACHED}}}\n"
    (finding,) = rehearsed(builder, compiler, layout(), program, budget=400_000).findings
    assert finding.kind == "endless-loop", finding
    return finding


@COMPILERS
@pytest.mark.parametrize("name", GIVES_UP)
def test_a_wait_that_was_given_up(builder: Builder, compiler: tuple[str, str], name: str) -> None:
    """The finding has the register and how often it was read; with the lines all waits for it end."""
    functions, body, bits = GIVES_UP[name]
    finding = finding_of(builder, compiler, functions, body)
    assert finding.found.startswith("before that it read 0x5020_0804, which the layout does not describe, ")
    assert finding.next_step == (
        "add to the layout:\n[[rehearsal.constant]]\nat = 0x50200804\n"
        f"value = 0x{bits:X} # then it does not give up"
    )
    added = "\n".join(step_lines(finding.next_step)[1:])
    program = f"{functions}void scenario(void) {{ {body}{REACHED}}}\n"
    assert rehearsed(builder, compiler, layout(f"{added}\n{WORD}"), program).passes


@pytest.mark.parametrize("name", PROPOSES_NOTHING)
def test_a_loop_that_no_register_leads_past(builder: Builder, name: str) -> None:
    """Registers that were polled and do not decide, or lead to an error, are not proposed."""
    finding = finding_of(builder, ("gcc", "-O1"), *PROPOSES_NOTHING[name])
    assert "gave up" not in finding.found
    assert "[[rehearsal.constant]]" not in finding.next_step


def test_a_core_that_sleeps_after_it_gave_up(builder: Builder) -> None:
    """The goal that it does not reach has the lines."""
    program = BY_COUNT.replace("NOP", "WFI") + f"void scenario(void) {{ {ONE}{REACHED}}}\n"
    (finding,) = rehearsed(builder, ("gcc", "-O1"), layout(), program, budget=400_000).findings
    assert finding.kind == "goal-not-reached"
    assert "before that it read 0x5020_0804" in finding.found
    assert "value = 0x2 # then it does not give up" in finding.next_step


def test_bits_of_another_size(builder: Builder, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer bits at once are tried where all of them are not what is awaited."""
    body = f"while (DEV(4) & 0x8000); {ONE}"
    for sizes, found in (((32,), False), ((32, 16, 8), True)):
        monkeypatch.setattr(given_up_waits, "SIZES", sizes)
        finding = finding_of(builder, ("gcc", "-O1"), BY_COUNT, body)
        assert ("gave up" in finding.found) is found


@pytest.mark.parametrize(
    ("name", "proposed", "not_proposed"),
    [("MIN_READS", 1001, 1002), ("MAX_POLLED", 1, 0), ("MIN_BLOCKS", 2, 99)],
)
def test_what_is_tried(
    builder: Builder, monkeypatch: pytest.MonkeyPatch, name: str, proposed: int, not_proposed: int
) -> None:
    """Registers read ``MIN_READS`` times, ``MAX_POLLED`` of them, that lead to ``MIN_BLOCKS`` blocks."""
    for limit, found in ((proposed, True), (not_proposed, False)):
        monkeypatch.setattr(given_up_waits, name, limit)
        finding = finding_of(builder, ("gcc", "-O1"), BY_COUNT, f"{ONE}wait_for(0x10, 1); ")
        assert ("gave up" in finding.found) is found


@pytest.mark.parametrize(
    ("ends", "kind"),
    [
        ("AIRCR = 0x05FA0004; for (;;);", "reset-requested"),
        ("__builtin_trap();", "undefined-instruction"),
        ('__asm volatile("bkpt #0");', "breakpoint"),
    ],
)
def test_a_core_that_ends_itself(builder: Builder, ends: str, kind: str) -> None:
    """A driver that resets the device or traps where a wait takes too long: its finding has the lines."""
    functions = BY_COUNT.replace("for (;;) NOP();", ends)
    program = f"{functions}void scenario(void) {{ {ONE}{REACHED}}}\n"
    (finding,) = rehearsed(builder, ("gcc", "-O1"), layout(), program, budget=400_000).findings
    assert finding.kind == kind
    assert "before that it read 0x5020_0804" in finding.found
    added = "\n".join(step_lines(finding.next_step)[1:])
    assert added.endswith("value = 0x2 # then it does not give up")
    assert rehearsed(builder, ("gcc", "-O1"), layout(f"{added}\n{WORD}"), program).passes
    unrelated = f"void scenario(void) {{ {ends} }}\n"
    for finding in rehearsed(builder, ("gcc", "-O1"), layout(), unrelated, budget=400_000).findings:
        assert "rehearsal." not in finding.next_step


@pytest.mark.parametrize(
    ("tries", "note"),
    [
        ("do { DEV(0) = 0x80000012; } while (DEV(0) != 0x80000012);", "then it goes on"),
        (
            "int i = 0; do { DEV(0) = 5; } while (DEV(0) != 5 && ++i < 1000); if (i == 1000) error_handler();",
            "then it does not give up",
        ),
    ],
    ids=["for ever", "for some time"],
)
def test_a_lock_that_is_read_back(builder: Builder, tries: str, note: str) -> None:
    """A lock of hardware is taken where it reads back what was written: a register that keeps that is proposed."""
    program = f"{ERROR}void scenario(void) {{ {tries} DEV(0) = 0; {REACHED}}}\n"
    (finding,) = rehearsed(builder, ("gcc", "-O1"), layout(), program, budget=400_000).findings
    assert finding.next_step == f"add to the layout:\n[[rehearsal.held]]\nat = 0x50200800 # {note}"
    added = "\n".join(step_lines(finding.next_step)[1:])
    assert rehearsed(builder, ("gcc", "-O1"), layout(f"{added}\n{WORD}"), program).passes


@pytest.mark.parametrize("wrong", ["error_handler();", "for (;;) WFI();"])
def test_a_bit_that_leads_to_an_error_is_not_awaited(builder: Builder, wrong: str) -> None:
    """Of bits that all end a loop, the ones that report errors are not proposed, wherever they are."""
    body = f"uint32_t s; while (!((s = DEV(4)) & 4)) {{ if (s & 3) {wrong} if (s & 0xF8) error_handler(); }} "
    program = f"{ERROR}void scenario(void) {{ {body}{REACHED}}}\n"
    (finding,) = rehearsed(builder, ("gcc", "-O1"), layout(), program, budget=400_000).findings
    assert finding.next_step.endswith("value = 0x4 # then it goes on")


SENDS = "for (int i = 0; i < 500; i++) { while (DEV(4) & 1); DEV(8) = i; } "
FAULTS = "void hard_fault_handler(void) {} "
ASKS = "while (!DEV(4)); *(volatile int *)0xA0000000 = 1; "


@pytest.mark.parametrize(
    ("handler", "work", "kind", "most"),
    [("", SENDS, "goal-not-reached", 20_000), (FAULTS, ASKS, "waits-for-register", 2_000)],
    ids=["reads a register for each character", "comes to a fault again and again"],
)
def test_a_run_of_no_use_ends_there(
    handler: str, work: str, kind: str, most: int, builder: Builder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside a core that goes on, no run that tries what a register may read goes to its end."""
    executed = []

    def run_device(plan: DevicePlan, **options: Any) -> RawRun:
        run = device_run.run_device(plan, **options)
        executed.append(run.executed)
        return run

    monkeypatch.setattr(given_up_waits, "run_device", run_device)
    counts = "void systick_handler(void) {{ LINK->word[{}]++; }}\n"
    body = "void scenario(void) {{ {}start_tick({}); for (;;) WFI(); }}\n"
    station = Source(DEVICE + handler + counts.format(5) + body.format(work, 50_000))
    case = Case("sends", "offers", station, Source(counts.format(6) + body.format("", 300)))
    (finding,) = Product(layout(), elves_of(builder, case)).rehearse(budget=120_000).findings
    assert finding.kind == kind
    assert len(executed) > 32
    assert max(executed) < most
