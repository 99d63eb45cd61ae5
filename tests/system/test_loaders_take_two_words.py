"""A boot loader that goes on by words of the application's table, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import LAYOUT_WITH_LOADER, RELEASE, compiled, layout_for, pair, said_by
from small_device import TODAY, findings
from verdict_builds import layout_of

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

LOADER = """__attribute__((noinline, noreturn)) static void go(const volatile uint32_t *table)
{
    uint32_t stack = table[STACK], to = table[TO];
    __asm__ volatile("msr msp, %0\\n bx %1" : : "r"(stack), "r"(to) : "memory");
    for (;;) { }
}
"""
WORDS = {(0, 1): 0, (1, 0): 1, (0, 2): 1, (0, 11): 1}
APPLICATION = (("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = 0x10004000"),)


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v6", "-Os"), ("clang", "v8", "-O2")])
@pytest.mark.parametrize("words", WORDS)
def test_an_application_starts_by_its_first_two_words(
    words: tuple[int, int], compiler: str, family: str, level: str
) -> None:
    """Others are one finding, which has the address of the table."""
    code = LOADER.replace("STACK", str(words[0])).replace("TO", str(words[1]))
    edits = (("/*BEFORE*/", code), ("/*MAIN*/", "go((const volatile uint32_t *)0x10004000);"))
    builds = pair(
        station=compiled("station", compiler, family, level, edits),
        app=compiled("station", compiler, family, level, APPLICATION),
        sampler=compiled("sampler", compiler, family, level),
    )
    found = findings(said_by("vector-register-own-table", layout_of(family, *LAYOUT_WITH_LOADER), builds))
    assert ["0x1000_4000" in each.next_step for each in found] == [True] * WORDS[words]


@pytest.mark.parametrize("family", ["v6", "v8"])
def test_a_wrong_table_names_the_application(family: str) -> None:
    """The next step is the address of the only build that the loader can go on to."""
    set_own = "*(volatile uint32_t *)0xE000ED08u = (uint32_t)vectors;"
    set_next = "*(volatile uint32_t *)0xE000ED08u = 0x10005000u; for (;;) { }"
    edits = (("/*BEFORE*/", "extern const void *const vectors[24];"), ("/*MAIN*/", f"{set_own} {set_next}"))
    builds = pair(
        station=compiled("station", "gcc", family, "-Os", edits),
        app=compiled("station", "gcc", family, "-Os", APPLICATION),
        sampler=compiled("sampler", "gcc", family, "-Os"),
    )
    (found,) = findings(said_by("vector-register-own-table", layout_of(family, *LAYOUT_WITH_LOADER), builds))
    assert found.next_step == "take the address of build app, 0x1000_4000"


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v6", "-Os"), ("clang", "v8", "-O2")])
def test_a_loader_that_goes_on_by_erased_words_does_not_return(
    compiler: str, family: str, level: str
) -> None:
    """The address is one finding; 0xFFFF_FFFF, which it branches to, is no return from the reset handler."""
    code = LOADER.replace("STACK", "0").replace("TO", "1")
    edits = (("/*BEFORE*/", code), ("int main(void)", "void first(void)"), ("main();", "first();"))
    goes = ("/*MAIN*/", "if (IO(0x40)) go((const volatile uint32_t *)0x10005000);")
    builds = pair(
        station=compiled("station", compiler, family, level, (*edits, goes)),
        app=compiled("station", compiler, family, level, APPLICATION),
        sampler=compiled("sampler", compiler, family, level),
    )
    read = layout_of(family, *LAYOUT_WITH_LOADER)
    assert findings(said_by("reset-handler-in-code", read, builds)) == []
    (found,) = findings(said_by("vector-register-own-table", read, builds))
    assert "0x1000_5000" in found.found


def test_what_code_clears_elsewhere_is_said_once() -> None:
    """A loop over another core's RAM, whose address the code holds."""
    loop = "for (int at = 0; at < 64; at++) ((volatile uint32_t *)0x20000800u)[at] = 0;"
    builds = pair(
        station=compiled("station", "gcc", "v7", "-Os", (("/*MAIN*/", RELEASE),)),
        sampler=compiled(
            "sampler",
            "gcc",
            "v7",
            "-Os",
            (("/*MAIN*/", loop), ("int main(void)", "void first(void)"), ("main();", "first();")),
        ),
    )
    read = layout_for("v7")
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    assert [each.rule.name for each in result.results for _ in each.findings] == ["code-uses-own-memory"]
