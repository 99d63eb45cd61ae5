"""Tests of which code something calls, on builds compiled here."""

from __future__ import annotations

from compiled_pairs import compiled, pair
from growth import Work, growth

from gemel.builds.build import Build
from gemel.builds.elf.symbol_entries import Symbol
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


def _links(build: Build, links: int) -> list[Symbol]:
    assert build.symbols
    found = {each.name: each for each in build.symbols.all()}
    return [found[f"link{at}"] for at in range(links)]


def test_what_is_known_of_one_function_holds_for_others() -> None:
    """Whichever is asked about first: of a chain that nothing leads to none is reached, of another one each."""
    for order in (1, -1):
        for main, last in (("", -1), ("link9();", 9), ("link19();", 19)):
            build = _chain(20, main)
            asked = list(enumerate(_links(build, 20)))[::order]
            assert all(is_reached(build, each) == (at <= last) for at, each in asked)


def test_all_functions_of_a_long_chain_cost_in_proportion() -> None:
    """What was found out about one is not found out again for each that leads to it."""

    def work(links: int) -> Work:
        build = _chain(links)
        functions = _links(build, links)
        return lambda: [is_reached(build, each) for each in functions]

    assert growth(work, 150, 8) < 24
