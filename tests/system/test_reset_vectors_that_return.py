"""A reset vector that names a function of the start-up code which returns, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import LAYOUT_WITH_LOADER, compiled, layout_for, pair, said_by
from small_device import findings
from verdict_builds import layout_of

RULE = "reset-handler-in-code"
WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"))
CODE = "__attribute__((noinline, used)) {} system_init(void) {{ IO(0x40) = 1; {} }}"
CLOCK = "for (int i = 0; i < 100 && !(IO(0x44) & 1u); i++) { } if (IO(0x48) & 1u) level = 2;"
GOES_ON = "extern void reset(void); "
FIRST = "stack_top, reset,"
BREAKS = {
    "clocks": CODE.format("void", ""),
    "clocks with a bounded wait": CODE.format("void", CLOCK),
    "a wait for its clock": CODE.format("void", "while (!(IO(0x44) & 1u)) { }"),
    "clocks that may fail": CODE.format("void", "if (IO(0x44) & 1u) for (;;) { }"),
    "with a result": CODE.format("int", "return IO(0x44);"),
}
KEEPS = {
    "goes on by a call": GOES_ON + CODE.format("void", "if (!(IO(0x50) & 1u)) { IO(0x50) = 1; reset(); }"),
    "goes on by a jump": GOES_ON + CODE.format("void", '__asm__ volatile("bx %0" : : "r"(reset));'),
    "waits for ever": CODE.format("void", "for (;;) { }"),
    "goes on where a device reports a reset": GOES_ON + CODE.format("void", "if (IO(0x44) & 1u) reset();"),
    "calls main": "int main(void); " + CODE.format("void", "main();"),
}


def _said(core: str, code: str, compiler: str, family: str, level: str):
    edits = (
        ("/*BEFORE*/", code),
        (FIRST, "stack_top, system_init,"),
        ("    main();", "    system_init(); main();"),
    )
    other = "sampler" if core == "station" else "station"
    builds = pair(
        **{
            core: compiled(core, compiler, family, level, edits),
            other: compiled(other, compiler, family, level),
        }
    )
    return findings(said_by(RULE, layout_for(family), builds))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("core", ["station", "sampler"])
@pytest.mark.parametrize("case", BREAKS)
def test_a_function_that_returns(case: str, core: str, compiler: str, family: str, level: str) -> None:
    """No core can return from its reset handler; the file's entry point is what should be there."""
    (found,) = _said(core, BREAKS[case], compiler, family, level)
    assert "is system_init, which returns" in found.what
    assert "reset, the file's entry point" in found.next_step


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", KEEPS)
def test_a_function_that_goes_on(case: str, compiler: str, family: str, level: str) -> None:
    """What starts the program, or may never return, is a reset handler by any name."""
    assert not [
        found for found in _said("sampler", KEEPS[case], compiler, family, level) if "returns" in found.what
    ]


def test_a_second_build_of_a_core_may_return() -> None:
    """The first one calls it."""
    flash = ("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = 0x10004000")
    edits = (("/*BEFORE*/", BREAKS["clocks"]), (FIRST, "stack_top, system_init,"), flash)
    builds = pair(
        station=compiled("station", *WITH[0]),
        app=compiled("station", *WITH[0], edits),
        sampler=compiled("sampler", *WITH[0]),
    )
    assert not findings(said_by(RULE, layout_of("v6", *LAYOUT_WITH_LOADER), builds))
