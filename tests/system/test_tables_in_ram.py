"""Vector tables in RAM that start-up code fills in part, from elsewhere or too early, compiled by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

RULE = "vector-register-own-table"
WITH = (("gcc", "v7", "-Os"), ("clang", "v8", "-O2"), ("gcc", "v8", "-O1"))
LOOP = "for (volatile uint32_t *at = bss_start; at < bss_end;) *at++ = 0;"
DECLARED = """extern const void *const vectors[24];
static uint32_t table[24] __attribute__((aligned(128)));
__attribute__((used, noinline)) static void tick(void) { turns++; }
"""
DRIVER = "__attribute__((noinline, used)) static void put(uint32_t at, void (*to)(void)) { BODY } "
BY_NAME = DRIVER.replace("BODY", "table[16 + at] = (uint32_t)to;")
BY_VTOR = DRIVER.replace(
    "BODY", "((volatile uint32_t *)*(volatile uint32_t *)0xE000ED08u)[16 + at] = (uint32_t)to;"
)
BY_SCB = DRIVER.replace(
    "BODY",
    "volatile uint32_t *scb = (void *)0xE000ED00u; scb[1] = 0; ((uint32_t *)scb[2])[16 + at] = (uint32_t)to;",
)
OWN_TICK = ("[14 ... 23] = stop", "[14 ... 19] = stop, [20] = tick, [21 ... 23] = stop")
COPY = "for (int i = 0; i < {}; i++) table[i] = ((const volatile uint32_t *){})[i];"
SET = "*(volatile uint32_t *)0xE000ED08u = (uint32_t)table;"
ALL, HALF = COPY.format(24, "vectors"), COPY.format(16, "vectors")
SOURCES = {
    "the other core's table": (
        f"{LOOP} {COPY.format(24, '0x10008000u')} {SET}",
        "",
        "the table of core sampler",
    ),
    "half of it": (f"{LOOP} {HALF} {SET}", "", "fills in part"),
    "all but the last words": (f"{LOOP} {COPY.format(20, 'vectors')} {SET}", "", "fills in part"),
    "cleared again": (f"{ALL} {SET} {LOOP}", "", "that nothing fills"),
    "set before it is cleared": (f"{SET} {ALL} {LOOP}", "", "that nothing fills"),
}
KEEPS = {
    "all of it": (f"{LOOP} {ALL} {SET}", ""),
    "set first": (f"{LOOP} {SET} {ALL}", ""),
    "half of it, and by a driver": (f"{LOOP} {HALF} {SET}", BY_NAME),
    "half of it, and by a driver that reads VTOR": (f"{LOOP} {HALF} {SET}", BY_VTOR),
    "half of it, and by a driver with the block's address": (f"{LOOP} {HALF} {SET}", BY_SCB),
    "half of it, and the handler": (f"{LOOP} {HALF} table[20] = (uint32_t)tick; {SET}", ""),
    "the other's, and its own for all": (
        f"{LOOP} {COPY.format(24, '0x10008000u')} for (int i = 1; i < 24; i++) table[i] = (uint32_t)tick; {SET}",
        "",
    ),
    "its own to the end, by the table's": (
        f"{LOOP} for (int i = 23; i >= 0; i--) table[i] = (uint32_t)vectors[i]; {SET}",
        "",
    ),
}


def _said(core: str, start: str, driver: str, compiler: str, family: str, level: str):
    use = f"{RELEASE} IO(0x64) = 1; " + "if (IO(0x60) & 1u) put(4, tick);" * bool(driver)
    edits = {core: (("/*BEFORE*/", DECLARED + driver), ("/*MAIN*/", use), (LOOP, start), OWN_TICK)}
    builds = pair(
        **{
            name: compiled(name, compiler, family, level, edits.get(name, ()))
            for name in ("station", "sampler")
        }
    )
    return findings(said_by(RULE, layout_for(family), builds))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", SOURCES)
def test_a_table_without_the_handlers(case: str, compiler: str, family: str, level: str) -> None:
    """One finding, which says what is in the table instead."""
    start, driver, what = SOURCES[case]
    (found,) = _said("station", start, driver, compiler, family, level)
    assert what in found.what


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", KEEPS)
def test_a_table_with_them(case: str, compiler: str, family: str, level: str) -> None:
    """Words that other code may put there later say nothing."""
    assert not _said("station", *KEEPS[case], compiler, family, level)


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
def test_half_of_a_table_of_one_handler(compiler: str, family: str, level: str) -> None:
    """Where no word has more than the default handler, no interrupt is known to be used."""
    edits = (("/*BEFORE*/", DECLARED), ("/*MAIN*/", RELEASE), (LOOP, f"{LOOP} {HALF} {SET}"))
    builds = pair(
        station=compiled("station", compiler, family, level, edits),
        sampler=compiled("sampler", compiler, family, level),
    )
    assert not findings(said_by(RULE, layout_for(family), builds))


def test_a_table_from_below_all_memories() -> None:
    """A device may start at 0, by an alias that the layout does not have; it is used or copied there."""
    start = f"{LOOP} {COPY.format(24, 'IO(0x70)')} {SET}".replace("IO(0x70)", "0u")
    _is_asked_for_an_alias(start, "sets VTOR to RAM that is filled from 0x0000_0000")
    _is_asked_for_an_alias(f"{LOOP} *(volatile uint32_t *)0xE000ED08u = 0;", "sets VTOR to 0x0000_0000")


def _is_asked_for_an_alias(start: str, said: str) -> None:
    edits = (("/*BEFORE*/", DECLARED), ("/*MAIN*/", RELEASE), (LOOP, start), OWN_TICK)
    builds = pair(station=compiled("station", *WITH[0], edits), sampler=compiled("sampler", *WITH[0]))
    result = said_by(RULE, layout_for("v7"), builds)
    assert [each.kind for each in result.not_checked] == ["layout"]
    assert said in result.not_checked[0].reason
