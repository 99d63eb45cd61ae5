"""Tests of which code something calls, on builds compiled here."""

from __future__ import annotations

from compiled_pairs import compiled, pair
from growth import Work, growth

from gemel.builds.build import Build
from gemel.inspection.code.address_users import is_reached

KEPT = ("*(.text .text.*)", "KEEP(*(.text .text.*))")


def _chain(links: int, main: str = "") -> Build:
    """Each function of a chain calls the one before it."""
    code = "__attribute__((noinline)) void link0(void) { mark = 1; }\n" + "".join(
        f"__attribute__((noinline)) void link{at}(void) {{ link{at - 1}(); mark = {at}; }}\n"
        for at in range(1, links)
    )
    edits = (KEPT, ("/*BEFORE*/", code), ("/*MAIN*/", main))
    return pair(sampler=compiled("sampler", "gcc", "v7", "-Os", edits))["sampler"]


def _reaches(build: Build) -> bool:
    assert build.symbols
    return is_reached(build, build.symbols.one("link0"))


def test_a_chain_is_reached_where_its_last_function_is() -> None:
    """By a call in main, and by a pointer; not by the calls inside of the chain alone."""
    assert not _reaches(_chain(20))
    assert _reaches(_chain(20, "link19();"))
    assert _reaches(_chain(20, "static void (*volatile next)(void) = link19; next();"))


def test_a_long_chain_costs_in_proportion() -> None:
    """The branches of a build are gone through once, however many functions call one another."""

    def work(links: int) -> Work:
        build = _chain(links)
        return lambda: _reaches(build)

    assert growth(work, 150, 8) < 24
