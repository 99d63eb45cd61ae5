"""Tests of the rule ``linked-by-current-regions``."""

from __future__ import annotations

from elf_writer import SymbolSpec
from small_device import layout, station_elf
from vector_fixtures import of

from gemel.inspection.cores.regions import ID_SYMBOL, regions_id

RULE = "linked-by-current-regions"
ABSOLUTE = 0xFFF1


def _symbol(core: str, change: int = 0) -> tuple[SymbolSpec, ...]:
    value = regions_id(layout().layout, core) ^ change
    return (SymbolSpec(ID_SYMBOL, value, kind="notype", section=ABSOLUTE),)


BREAKS = {
    "an older layout": lambda: of(RULE, station=station_elf(symbols=_symbol("station", 1))),
    "one high bit": lambda: of(RULE, station=station_elf(symbols=_symbol("station", 0x8000_0000))),
    "built for the other core": lambda: of(RULE, station=station_elf(symbols=_symbol("sampler"))),
    "erased": lambda: of(
        RULE, station=station_elf(symbols=_symbol("station", regions_id(layout().layout, "station")))
    ),
}
KEEPS = {
    "the same layout": lambda: of(RULE, station=station_elf(symbols=_symbol("station"))),
    "another counter": lambda: of(
        RULE, read=layout({"rollback = 7": "rollback = 8"}), station=station_elf(symbols=_symbol("station"))
    ),
}


def test_builds_without_the_symbol_are_left_alone() -> None:
    """A build that was not linked by a fragment is not looked at."""
    result = of(RULE)
    assert (result.holds, result.findings, result.not_checked) == ((), (), ())
