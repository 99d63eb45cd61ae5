"""Endings by their kind: a small program of the station for each, with what the finding names."""

from __future__ import annotations

import pytest
from rehearse.test_device_examples import SLEEP, enabled, run, store

HANG = "1: b 1b\n"
ENDINGS = {
    "stays-in-handler": (enabled(5) + store(0xE000_E200, "32") + SLEEP, "interrupt 5"),
    "no-idle-state": ("1: adds r4, #1\n b 1b\n", "still busy"),
    "division-by-zero": (store(0xE000_ED14, "0x210") + "udiv r1, r1, r4\n" + SLEEP, "divides by zero"),
    "unprivileged-access": (
        "movs r1, #1\n msr control, r1\n isb\n" + store(0xE000_E100, "1") + SLEEP,
        "privilege",
    ),
    "stack-limit-fault": ("mov r1, sp\n msr msplim, r1\n push {r0, r1}\n" + SLEEP, "stack limit"),
    "call-escalated": ("cpsid i\n svc 0\n" + SLEEP, "supervisor call"),
    "stacking": (
        enabled(5) + "ldr r1, =0x70000000\n mov sp, r1\n" + store(0xE000_E200, "32") + SLEEP,
        "stack",
    ),
}


@pytest.mark.parametrize("kind", ENDINGS)
def test_ending_is_named(kind: str) -> None:
    """Each class of ending is found as what it is, and does not pass."""
    program, said = ENDINGS[kind]
    rehearsal = run(program, "", handler=HANG)
    finding = rehearsal.finding(kind)
    assert finding is not None, rehearsal.findings
    assert said in finding.what
    assert finding.core == "station"
    assert not rehearsal.passes


@pytest.mark.parametrize(
    "link", ["mvn r0, #0xE", "mvn r0, #0x12"], ids=["to handler mode", "to no stack there is"]
)
def test_a_handler_that_answers_each_bad_return_with_another_ends(link: str) -> None:
    """A handler for everything that returns by an impossible link value is stopped and named, soon."""
    program = enabled(5) + store(0xE000_E200, "32") + SLEEP
    rehearsal = run(program, "", handler=f"{link}\n mov lr, r0\n")
    assert not rehearsal.passes
    if link.endswith("0xE"):
        assert rehearsal.finding("bad-exception-return") is not None
