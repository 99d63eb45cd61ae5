"""Data after calls of what never returns, in images alone: compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

RULE = "swept-instructions-fit-core"
PLACED = ("*(.rodata .rodata.*)", "*(.last) KEEP(*(.data_after)) *(.rodata .rodata.*)")
NEVER = "#define NEVER __attribute__((noreturn, noinline))\n#define NI __attribute__((noinline))\n"
LAST = (
    '__attribute__((section(".last"), noinline%s)) void last(volatile uint32_t *at) { *at = 1; %s }\n'
    '__attribute__((used, section(".data_after"))) const uint32_t after[5] = '
    "{ 0x0a20ee30, 0xffffffff, 3, 0xffffffff, 3 };\n"
)
"""The last function, and words after it of which the first reads as arithmetic with floating-point registers."""

ENDS = {
    "a loop": ("NEVER void die(uint32_t code) { IO(0x34) = code; for (;;) { } }", "die(7);"),
    "a sleep": (
        'NEVER void die(uint32_t code) { IO(0x34) = code; for (;;) __asm volatile("wfi"); }',
        "die(7);",
    ),
    "another that ends": (
        "NEVER void stop_here(void) { for (;;) IO(0x38) = 1; }\nNI void note(uint32_t v) { IO(0x3C) = v; }\n"
        "NEVER void die(uint32_t code) { note(code); IO(0x34) = code; stop_here(); }",
        "die(7);",
    ),
    "a trap": ("NEVER void die(uint32_t code) { IO(0x34) = code; __builtin_trap(); }", "die(7);"),
    "one of two": (
        "NEVER void die(uint32_t code) { if (IO(0x40)) for (;;) IO(0x34) = code; for (;;) IO(0x38) = code; }",
        "die(7);",
    ),
    "one that calls itself": (
        "NEVER void die(uint32_t code) { IO(0x34) = code; die(IO(0x38)); IO(0x30) = 1; for (;;) { } }",
        "die(7);",
    ),
}
RETURNS = {
    "a function": ("NI void note(uint32_t code) { IO(0x34) = code; }", "note(7);"),
    "a function that may go round": ("NI void note(uint32_t n) { while (IO(0x34) != n) { } }", "note(7);"),
    "one that calls one": (
        "NI void inner(uint32_t n) { IO(0x38) = n; }\nNI void note(uint32_t n) { inner(n); IO(0x34) = n; }",
        "note(7);",
    ),
    "one that calls itself up to an end": (
        "NI void note(uint32_t n) { if (!n) return; IO(0x34) = n; note(n - 1); IO(0x38) = n; }",
        "note(7);",
    ),
    "one by a pointer": (
        "NI void note(uint32_t n) { IO(0x34) = n; }\nvoid (*volatile through)(uint32_t) = note;",
        "through(7);",
    ),
}
LACKED = '__asm volatile(".short 0xee30, 0x0a20");'
WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O2"), ("clang", "v6", "-O1"), ("clang", "v8", "-Os"))


def _said(never: str, before: str, ends: str, compiler: str, family: str, level: str) -> list[str]:
    source = NEVER + before + "\n" + LAST % (never, ends)
    edits = (PLACED, ("/*BEFORE*/", source), ("/*MAIN*/", f"{RELEASE} if (IO(0x50)) last(&level);"))
    builds = pair(
        station=compiled("station", compiler, family, level, edits),
        sampler=compiled("sampler", "gcc", family, "-Os"),
    )
    return [each.found for each in findings(said_by(RULE, layout_for(family), builds, with_builds=False))]


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", ENDS)
def test_data_after_a_call_that_never_returns_is_no_code(
    case: str, compiler: str, family: str, level: str
) -> None:
    """No way leads there."""
    assert not _said(", noreturn", *ENDS[case], compiler, family, level)


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", RETURNS)
def test_code_after_a_call_that_returns_is_read(case: str, compiler: str, family: str, level: str) -> None:
    """An instruction that the core lacks is found there."""
    before, calls = RETURNS[case]
    assert _said("", before, calls + LACKED, compiler, family, level)
