"""Tests of the rule ``stack-pointer-aligned``."""

from __future__ import annotations

from small_device import STATION_RAM, findings, station_elf
from vector_fixtures import alone, of

RULE = "stack-pointer-aligned"
END = STATION_RAM + 0x2000


def _station(pointer: int) -> bytes:
    return station_elf(words={0: pointer})


BREAKS = {
    "multiple of 4 only": lambda: of(RULE, station=_station(END - 4)),
    "odd": lambda: of(RULE, station=_station(END + 1)),
    "multiple of 2 only": lambda: of(RULE, station=_station(END - 2)),
    "image alone": lambda: alone(RULE, station=_station(END - 4)),
}
KEEPS = {
    "multiple of 8": lambda: of(RULE, station=_station(END - 8)),
    "image alone": lambda: alone(RULE),
}


def test_the_finding_says_what_the_hardware_makes_of_it() -> None:
    """For the two lowest bits the finding gives the address that the core really starts with."""
    (finding,) = findings(BREAKS["odd"]())
    assert "starts with 0x2000_2000" in finding.found
    (finding,) = findings(BREAKS["multiple of 4 only"]())
    assert finding.found == "0x2000_1FFC"
    assert "0x2000_1FF8" in finding.expected


def test_a_blank_table_is_not_checked() -> None:
    """Zero is a multiple of 8, but no stack pointer: a blank table does not hold."""
    assert of(RULE, station=station_elf(words={0: 0, 1: 0})).status == "not checked"
