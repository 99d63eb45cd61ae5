"""Stacks that code needs more of than there is, as it runs; compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

LOCAL = "volatile uint8_t buffer[{}]; for (uint32_t at = 0; at < sizeof buffer; at += 64) buffer[at] = 1;"
CALLED = (
    "__attribute__((noinline)) static uint32_t deep(uint32_t from) "
    "{{ " + LOCAL + " return buffer[from & 63]; }}"
)
OWN_STACK = CALLED + " static uint64_t own_stack[400];"
ON_PROCESS_STACK = (
    '__asm volatile("msr psp, %0\\n movs r0, #2\\n msr control, r0\\n isb" : : "r"(own_stack + 400) : "r0");'
    "deep(turns);"
)
ON_ANOTHER = '__asm volatile("msr msp, %0\\n isb" : : "r"(own_stack + 400)); deep(turns);'
FAULTS = {
    "an array in main": ("", LOCAL.format(7000)),
    "an array in a function": (CALLED.format(6200), "turns = deep(turns);"),
    "an array over cleared data": (
        f"{CALLED.format(3500)} volatile uint32_t kept[800];",
        "kept[turns & 511] = deep(turns);",
    ),
}
SOUND = {
    "an array that fits": ("", LOCAL.format(5000)),
    "a function that nothing calls": (
        f"{CALLED.format(7000)} __attribute__((used)) static void never(void) {{ deep(1); }}",
        "",
    ),
    "a task's stack": (OWN_STACK.format(3000), ON_PROCESS_STACK),
    "another main stack": (OWN_STACK.format(3000), ON_ANOTHER),
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O0"), ("clang", "v8", "-O2"), ("clang", "v6", "-O1"))


def _said(
    case: tuple[str, str], build: tuple[str, str, str], rule: str = "stack-has-room"
) -> list[tuple[str, str]]:
    before, main = case
    edits = (("/*BEFORE*/", before), ("/*MAIN*/", RELEASE + main))
    builds = pair(station=compiled("station", *build, edits), sampler=compiled("sampler", *build))
    found = findings(said_by(rule, layout_for(build[1]), builds))
    return [(each.what, each.expected) for each in found]


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("case", FAULTS)
def test_code_takes_more_stack_than_there_is(case: str, build: tuple[str, str, str]) -> None:
    """The finding says how much it takes."""
    ((what, expected),) = _said(FAULTS[case], build)
    assert what == "the initial stack of core station has less room than build station needs"
    assert expected.endswith("(what its code takes up to the first calls of main)")


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("case", SOUND)
def test_code_takes_no_more_than_there_is(case: str, build: tuple[str, str, str]) -> None:
    """What is on another stack, or is never called, is not counted."""
    assert not _said(SOUND[case], build)


@pytest.mark.parametrize("size", [900, 1100])
@pytest.mark.parametrize("build", [("gcc", "v8", "-Os"), ("clang", "v8", "-O0")], ids="-".join)
def test_a_stack_limit_leaves_what_code_takes(size: int, build: tuple[str, str, str]) -> None:
    """A limit 1 KiB below the initial stack pointer, and code that goes below it."""
    limit = '__asm volatile("msr msplim, %0" : : "r"((uint32_t)stack_top - 1024u)); '
    called = (CALLED.format(size), f"{limit} turns = deep(turns);")
    found = _said(called, build, "stack-limit-below-stack")
    assert [what for what, _ in found] == [
        "code of build station sets the limit of its main stack 1024 bytes below the initial stack pointer"
    ] * (size > 1024)
    assert not _said(called, build)
