"""Tests of the rule ``vector-register-own-table``."""

from __future__ import annotations

import pytest
from small_device import findings
from verdict_builds import WITH_LOADER, of

RULE = "vector-register-own-table"


def _loaded(app: str, loader: str = "station-launch", family: str = "v7"):
    given = ("station", "app", "sampler")
    return of(RULE, family, loader, app, changes=WITH_LOADER, given=given)


BREAKS = {
    "another core's table, by GCC": lambda: of(RULE, "v6", "sampler-vtor-station"),
    "RAM that nothing fills": lambda: of(RULE, "v8", "sampler-vtor-blank"),
    "another core's table, by clang": lambda: of(RULE, "v7", "sampler-vtor-station"),
    "the boot loader's table, with which an application goes on": lambda: _loaded("app-vtor-loader"),
    "a stack pointer from where no application is": lambda: _loaded(
        "station-app", "station-launch-number-stale", "v6"
    ),
    "nothing there": lambda: of(RULE, "v8", "sampler-vtor-nothing"),
}
KEEPS = {
    "its own table, by GCC": lambda: of(RULE, "v6", "sampler-vtor"),
    "its own table, by clang": lambda: of(RULE, "v7", "sampler-vtor"),
    "the boot loader's table, where an application goes back to it": lambda: _loaded("app-back"),
    "the stack pointer of the application": lambda: _loaded("station-app", "station-launch-number", "v6"),
    "a table that code copies to RAM": lambda: of(RULE, "v7", "sampler-board-ram-table"),
}


def test_the_other_core_is_named() -> None:
    """The finding names the core whose table it is, and the function that sets it."""
    (finding,) = findings(BREAKS["another core's table, by GCC"]())
    assert "the table of core station" in finding.what
    assert "(reset_handler)" in finding.where


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
def test_a_primary_that_sets_it_to_zero_is_not_checked(family: str) -> None:
    """0 may be an alias of flash: it holds where the layout names that alias, and is not checked where it does not."""
    result = of(RULE, family, "station-vtor-zero")
    assert (result.status, [each.kind for each in result.not_checked]) == ("not checked", ["layout"])
    assert "reset_handler" in result.not_checked[0].reason
    start = "start = 0x1000_0000\n"
    aliased = of(RULE, family, "station-vtor-zero", changes=((start, f"{start}aliases = [0]\n"),))
    assert (aliased.status, aliased.not_checked) == ("holds", ())


def test_the_other_build_of_the_core_is_named() -> None:
    """The finding says that the code goes on with the loader's table."""
    (finding,) = findings(_loaded("app-vtor-loader"))
    assert "to that of build station" in finding.what
    assert "build app goes on with it" in finding.found
