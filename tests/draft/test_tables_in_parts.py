"""Drafts of builds whose vector table is several objects, as the runtimes of some languages have it; compiled here."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, pair
from draft.cases import layout_of

WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O1"), ("clang", "v8", "-O2"))
WHOLE = """__attribute__((used, section(".vectors"))) const void *const vectors[24] = {
    stack_top, reset, stop, stop, [11] = stop, [14 ... 23] = stop };"""
PART = '__attribute__((used, section(".vectors.{0}"))) {1}'
SYSTEM = PART.format(2, "const void *const exceptions[14] = { stop, stop, [9] = stop, [12 ... 13] = stop };")
INTERRUPTS = PART.format(3, "const void *const interrupts[8] = { stop, 0, [7] = stop };")
AFTER = PART.format(3, "const uint32_t speeds[8] = { 9600, 19200 };")
STARTS = {
    "an object": PART.format(1, "const void *const start[2] = { stack_top, reset };"),
    "a label": r'__asm(".section .vectors.1, \"a\"\nstart: .word stack_top, reset\n.text");',
}
SCRIPT = ("KEEP(*(.vectors))", "KEEP(*(SORT(.vectors.*)))")


@pytest.mark.parametrize("with_what", WITH)
@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize(("last", "count"), [(INTERRUPTS, 8), (AFTER, 0)], ids=["interrupts", "data"])
def test_interrupts_of_their_own(start: str, last: str, count: int, with_what: tuple[str, str, str]) -> None:
    """The object after the words of the system counts, if it holds handlers."""
    edits = ((WHOLE, f"{STARTS[start]} {SYSTEM} {last}"), SCRIPT)
    builds = pair(
        station=compiled("station", *with_what, (("/*MAIN*/", RELEASE),)),
        sampler=compiled("sampler", *with_what, edits),
    )
    assert layout_of(builds).cores["sampler"].interrupts == count
