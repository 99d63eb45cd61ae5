"""Tests of the rule ``vector-register-own-table``."""

from __future__ import annotations

import pytest
from small_device import findings
from verdict_builds import WITH_LOADER, of

RULE = "vector-register-own-table"


def _loaded(app: str, loader: str = "station-launch", family: str = "v7"):
    given = ("station", "app", "sampler")
    return of(RULE, family, loader, app, changes=WITH_LOADER, given=given)


APP_AREA = 'app-code = { memory = "flash", offset = "16 KiB", size = "16 KiB", purpose = "code" }'
SHORTER = APP_AREA.replace('size = "16 KiB"', 'size = "8 KiB"')
SLOT = SHORTER.replace("app-code", "slot").replace("16 KiB", "24 KiB")
"""The application's area with free flash after it, where another one may be, and an area there."""

SPARE = 'sampler-code = { memory = "flash", offset = "32 KiB", size = "'
LEFT_ALONE = (
    (f'{SPARE}32 KiB"', f'{SPARE}8 KiB"'),
    (
        "station-ram =",
        'spare = { memory = "flash", offset = "48 KiB", size = "4 KiB", purpose = "reserved" }\nstation-ram =',
    ),
)
"""A reserved area where the sampler puts VTOR."""


SHORTER_FLASH = (
    (APP_AREA, SHORTER),
    ('size = "64 KiB"\nerase_block', 'size = "24 KiB"\nerase_block'),
    ("[memory.ram]", '[memory.more]\nkind = "flash"\nstart = 0x1000_8000\nsize = "32 KiB"\n\n[memory.ram]'),
    ('sampler-code = { memory = "flash", offset = "32 KiB"', 'sampler-code = { memory = "more", offset = 0'),
)
"""Two memories of flash, with nothing between where the second application is."""

SMALL_STATION = (
    'station-code = { memory = "flash", offset = 0, size = "32 KiB"',
    'station-code = { memory = "flash", offset = 0, size = "16 KiB"',
)


def _chosen(family: str, loader: str, *areas: str):
    changes = (*WITH_LOADER, (APP_AREA, "\n".join(areas)))
    return of(
        RULE,
        family,
        f"station-launch-{loader}",
        "station-app",
        changes=changes,
        given=("station", "app", "sampler"),
    )


BREAKS = {
    "what it goes on to, in its own area": lambda: of(RULE, "v6", "station-launch-either-stale"),
    "another core's table, by GCC": lambda: of(RULE, "v6", "sampler-vtor-station"),
    "RAM that nothing fills": lambda: of(RULE, "v8", "sampler-vtor-blank"),
    "another core's table, by clang": lambda: of(RULE, "v7", "sampler-vtor-station"),
    "the boot loader's table, with which an application goes on": lambda: _loaded("app-vtor-loader"),
    "a stack pointer from where no application is": lambda: _loaded(
        "station-app", "station-launch-number-stale", "v6"
    ),
    "free flash, where it goes on to nothing else": lambda: _chosen("v7", "stale", SHORTER),
    "no table in the area of the application": lambda: _chosen("v6", "either-stale", APP_AREA),
    "nothing there": lambda: of(RULE, "v8", "sampler-vtor-nothing"),
}
KEEPS = {
    "its own table, by GCC": lambda: of(RULE, "v6", "sampler-vtor"),
    "its own table, by clang": lambda: of(RULE, "v7", "sampler-vtor"),
    "the boot loader's table, where an application goes back to it": lambda: _loaded("app-back"),
    "one of two applications, of which the other is no build": lambda: _chosen("v7", "either", SHORTER),
    "one of two, the other's area kept free": lambda: _chosen("v6", "either-stale", SHORTER, SLOT),
    "one of two, the other's area reserved": lambda: _chosen(
        "v8", "either", SHORTER, SLOT.replace('"code"', '"reserved"')
    ),
    "one of two, the other in a memory that the layout lacks": lambda: of(
        RULE,
        "v8",
        "station-launch-either",
        "station-app",
        changes=(*WITH_LOADER, *SHORTER_FLASH),
        given=("station", "app", "sampler"),
    ),
    "what it goes on to, where that is in no build": lambda: of(
        RULE, "v7", "station-launch-stale", changes=(SMALL_STATION,)
    ),
    "what a reserved area holds": lambda: of(RULE, "v8", "sampler-vtor-nothing", changes=LEFT_ALONE),
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
