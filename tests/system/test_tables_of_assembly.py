"""Vector tables that are written in assembly, word by word: one too few or too many has one finding."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY, findings

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"), ("gcc", "v7", "-O0"))
C_TABLE = (
    '__attribute__((used, section(".vectors"))) const void *const vectors[24] = {\n'
    "    stack_top, reset, stop, stop, [11] = stop, [14 ... 23] = stop };\n"
)
TICK = "__attribute__((used)) void SysTick_Handler(void) { turns++; }"
ENABLED = (
    "*(volatile uint32_t *)0xE000E014u = 0xFFFFu; *(volatile uint32_t *)0xE000E018u = 0; "
    "*(volatile uint32_t *)0xE000E010u = 7u;"
)
FAULTS = ("stop", "stop", "stop")
"""Words 4 to 6, which Armv6-M reserves."""


def _table(family: str, *, stack: int = 1, reserved: int = 4, interrupts: int = 8, sized: int = 1) -> str:
    """A table with so many words of zero before SVCall, and of interrupts; 0 for what it is without."""
    faults = ("0", "0", "0") if family == "v6" else FAULTS
    monitor = "0" if family == "v6" else "stop"
    words = [*(["stack_top"] if stack else []), "reset", "stop", "stop", *faults, *["0"] * reserved]
    words += ["stop", monitor, "0", "stop", "SysTick_Handler", *["stop"] * interrupts]
    lines = ['.section .vectors, "a"', ".global vectors", "vectors:", *(f".word {word}" for word in words)]
    lines += [".size vectors, . - vectors"] if sized else []
    return (
        "__asm("
        + "".join(f'"{line.replace(chr(34), chr(92) + chr(34))}\\n"' for line in [*lines, ".text"])
        + ");\n"
    )


def _said(table: str, with_what: tuple[str, str, str]) -> list[str]:
    """What all rules find of a station with this table."""
    edits = (
        ("/*BEFORE*/", TICK),
        ("/*MAIN*/", RELEASE + ENABLED),
        (C_TABLE, table),
        ("static void stop", "void stop"),
    )
    builds = pair(station=compiled("station", *with_what, edits), sampler=compiled("sampler", *with_what))
    read = layout_for(with_what[1])
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    return [finding.what for each in result.results for finding in findings(each)]


CASES: dict[str, tuple[dict[str, int], str]] = {
    "a word left out": ({"reserved": 3}, "has handlers in the words of other exceptions"),
    "a word too many": ({"reserved": 5}, "has handlers in the words of other exceptions"),
    "no stack pointer": ({"stack": 0}, "should be is a table without its first word"),
    "too few interrupts": ({"interrupts": 3}, "has 19 of 24 words"),
}


@pytest.mark.parametrize("with_what", WITH)
@pytest.mark.parametrize("case", CASES)
def test_a_table_with_a_wrong_number_of_words(case: str, with_what: tuple[str, str, str]) -> None:
    """The one finding says what is wrong with the table, whatever its words are taken for."""
    more, said = CASES[case]
    (found,) = _said(_table(with_what[1], **more), with_what)
    assert found.endswith(said)


@pytest.mark.parametrize("with_what", WITH)
@pytest.mark.parametrize("sized", [1, 0])
def test_a_whole_table(sized: int, with_what: tuple[str, str, str]) -> None:
    """Its symbol has a size or none."""
    assert _said(_table(with_what[1], sized=sized), with_what) == []


@pytest.mark.parametrize("with_what", WITH)
def test_a_table_that_ends_early_where_nothing_says_so(with_what: tuple[str, str, str]) -> None:
    """Code comes right after it, and is read as handlers: one finding, whatever they look like."""
    assert len(_said(_table(with_what[1], interrupts=3, sized=0), with_what)) == 1
