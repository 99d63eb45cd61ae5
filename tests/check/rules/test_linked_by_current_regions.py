"""Tests of the rule ``linked-by-current-regions``."""

from __future__ import annotations

from builds.elf_writer import SymbolSpec
from check.vector_fixtures import of
from small_device import layout, sampler_elf, station_elf

from gemel.inspection.core_regions import ID_SYMBOL, regions_id

RULE = "linked-by-current-regions"
ABSOLUTE = 0xFFF1


def _symbol(core: str, change: int = 0) -> tuple[SymbolSpec, ...]:
    value = regions_id(layout().layout, core) ^ change
    return (SymbolSpec(ID_SYMBOL, value, kind="notype", section=ABSOLUTE),)


BREAKS = {
    "station of an older layout": lambda: of(RULE, station=station_elf(symbols=_symbol("station", 1))),
    "sampler of an older layout": lambda: of(
        RULE, sampler=sampler_elf(symbols=_symbol("sampler", 0x8000_0000))
    ),
    "built for the other core": lambda: of(RULE, sampler=sampler_elf(symbols=_symbol("station"))),
}
KEEPS = {
    "station": lambda: of(RULE, station=station_elf(symbols=_symbol("station"))),
    "both": lambda: of(
        RULE, station=station_elf(symbols=_symbol("station")), sampler=sampler_elf(symbols=_symbol("sampler"))
    ),
}


def test_builds_without_the_symbol_are_left_alone() -> None:
    """A build that was not linked by a fragment is not looked at."""
    result = of(RULE)
    assert (result.holds, result.findings, result.not_checked) == ((), (), ())
