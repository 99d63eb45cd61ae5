"""Tests of the rule ``init-function-ends``, with parts of ``_init`` assembled here."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings
from verdict_builds import AT_ZERO, of

from gemel.checking.runner import RuleResult

RULE = "init-function-ends"


def _started(family: str, sampler: str) -> RuleResult:
    return of(RULE, family, "station-startup", sampler, changes=AT_ZERO)


BREAKS = {
    "no end": lambda: _started("v6", "sampler-startup-init-open"),
    "no end, by clang and lld": lambda: _started("v7", "sampler-startup-init-open"),
}
KEEPS = {
    "both parts": lambda: _started("v8", "sampler-startup-init"),
    "both parts, by clang and lld": lambda: _started("v7", "sampler-startup-init"),
}

OWN = (
    "  .ARM.exidx :",
    "  .init : { KEEP(*(.init)) } > code\n  .fini : { KEEP(*(.fini)) } > code\n  .ARM.exidx :",
)
LAST = (OWN[0], OWN[1].replace("  .fini : { KEEP(*(.fini)) } > code\n", ""))
FIRST = ("*(.text .text.*)", "KEEP(*(.init)) KEEP(*(.fini)) *(.text .text.*)")
AFTER = ("*(.rodata .rodata.*)", "KEEP(*(.init)) KEEP(*(.fini)) *(.rodata .rodata.*)")
BEGIN = ".global NAME\n.type NAME, %function\n.thumb_func\nNAME: push {r3, r4, r5, r6, r7, lr}\nnop\n"
END = "pop {r3, r4, r5, r6, r7}\npop {r3}\nmov lr, r3\nbx lr\n"


def _parts(init: str, fini: str = BEGIN + END) -> str:
    sections = [
        f'.section .{name},\\"ax\\"\n.p2align 2\n{text.replace("NAME", f"_{name}")}.previous\n'
        for name, text in (("init", init), ("fini", fini))
    ]
    text = ".syntax unified\n.thumb\n" + "".join(sections)
    return f'void _init(void); __asm("{text.replace(chr(10), chr(92) + "n")}");'


CALLED = "_init();"
SOUND = {
    "both parts, a section each": (_parts(BEGIN + END), CALLED, OWN),
    "both parts, before all code": (_parts(BEGIN + END), CALLED, FIRST),
    "both parts, after all code": (_parts(BEGIN + END), CALLED, AFTER),
    "a call between the parts": (_parts(BEGIN + "bl stop\n" + END), CALLED, OWN),
    "a branch to the rest": (_parts(BEGIN.replace("push {r3, r4, r5, r6, r7, lr}", "b stop")), CALLED, OWN),
    "a return from the stack": (_parts(BEGIN.replace("nop", "pop {r3, r4, r5, r6, r7, pc}")), CALLED, AFTER),
    "a function in C": ("__attribute__((noinline)) void _init(void) { mark = level; }", CALLED, OWN),
    "a function in C that never returns": (
        "__attribute__((noreturn, noinline)) void halt(void) { for (;;) mark = 1; }"
        "__attribute__((noreturn, noinline)) void _init(void) { mark = level; halt(); }",
        CALLED,
        AFTER,
    ),
    "an empty function in C": ('__attribute__((noinline)) void _init(void) { __asm(""); }', CALLED, OWN),
    "an end that is only missing in _fini": (_parts(BEGIN + END, BEGIN), CALLED, OWN),
    "no end of what nothing calls": (_parts(BEGIN, BEGIN), "", OWN),
}
OPEN = {
    "a section each": (_parts(BEGIN), CALLED, OWN),
    "a section each, both open": (_parts(BEGIN, BEGIN), CALLED, OWN),
    "before all code": (_parts(BEGIN), CALLED, FIRST),
    "after all code": (_parts(BEGIN, BEGIN), CALLED, AFTER),
    "the last section of code": (_parts(BEGIN), CALLED, LAST),
    "with a call": (_parts(BEGIN + "bl stop\n"), CALLED, OWN),
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v8", "-O2"), ("clang", "v7", "-O1"))


def _said(case: tuple[str, str, tuple[str, str]], compiler: str, family: str, level: str):
    before, call, script = case
    edits = (
        ("/*BEFORE*/", before),
        ("    main();\n", f"    {call}\n    main();\n"),
        ("/*MAIN*/", RELEASE),
        script,
    )
    station = compiled("station", compiler, family, level, edits)
    return said_by(
        RULE, layout_for(family), pair(station=station, sampler=compiled("sampler", "gcc", family, "-Os"))
    )


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", SOUND)
def test_an_end_is_seen(case: str, compiler: str, family: str, level: str) -> None:
    """A return or a branch, in any part, is an end; what nothing calls needs none."""
    assert not findings(_said(SOUND[case], compiler, family, level))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", OPEN)
def test_what_the_core_runs_on_into_is_named(case: str, compiler: str, family: str, level: str) -> None:
    """The next function, or the section whose end it is."""
    (finding,) = findings(_said(OPEN[case], compiler, family, level))
    assert "no return before" in finding.found
    assert any(words in finding.found for words in ("_fini at", "what is after section .init", " at 0x"))


def test_a_build_without_such_a_function_is_not_judged() -> None:
    """Most builds have none, or nothing calls it."""
    assert of(RULE, "v8").status == "does not apply"
