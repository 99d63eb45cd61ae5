"""Tests of the rule ``stack-pointer-in-own-ram``."""

from __future__ import annotations

from small_device import (
    LINK,
    RAM_OF_SAMPLER,
    SAMPLER,
    SAMPLER_RAM,
    STATION_RAM,
    findings,
    layout,
    sampler_elf,
    station_elf,
)
from vector_fixtures import RUN, alone, copied_layout, copied_sampler, of

RULE = "stack-pointer-in-own-ram"
END = STATION_RAM + 0x2000
"""One past the last byte of the station's RAM: the first byte of the sampler's."""


def _station(pointer: int) -> bytes:
    return station_elf(words={0: pointer})


def _sampler(pointer: int) -> bytes:
    return sampler_elf(words={0: pointer})


BREAKS = {
    "start of its RAM": lambda: of(RULE, station=_station(STATION_RAM)),
    "low bits that hardware drops": lambda: of(RULE, station=_station(STATION_RAM + 3)),
    "one word after the end": lambda: of(RULE, station=_station(END + 4)),
    "in the other core's RAM": lambda: of(RULE, station=_station(SAMPLER_RAM + 0x800)),
    "in the shared area": lambda: of(RULE, station=_station(LINK + 0x400)),
    "in flash": lambda: of(RULE, station=_station(SAMPLER + 0x100)),
    "zero": lambda: of(RULE, station=_station(0)),
    "in no memory": lambda: of(RULE, station=_station(0x9000_0000)),
    "as the other core sees it": lambda: of(RULE, sampler=_sampler(SAMPLER_RAM + 0x1000)),
    "where the other core's build is copied to": lambda: of(
        RULE,
        read=copied_layout(),
        station=_station(STATION_RAM + 0x4000),
        sampler=copied_sampler(),
    ),
    "image alone": lambda: alone(RULE, station=_station(SAMPLER_RAM + 0x800)),
}
KEEPS = {
    "end of its RAM": lambda: of(RULE, station=_station(END)),
    "first word of its RAM": lambda: of(RULE, station=_station(STATION_RAM + 4)),
    "low bits set at the end": lambda: of(RULE, station=_station(END + 3)),
    "second area of RAM": lambda: of(RULE, sampler=_sampler(RAM_OF_SAMPLER + 0x4000)),
    "image alone": lambda: alone(RULE),
    "area it is copied to": lambda: of(
        RULE,
        read=copied_layout(),
        sampler=copied_sampler({0: RUN + 0xC00}),
    ),
}


def test_the_finding_names_whose_ram_it_is() -> None:
    """A stack in the other core's RAM is a finding that names that area, its owner and the own RAM."""
    (finding,) = findings(BREAKS["in the other core's RAM"]())
    assert finding.parties == ("station", "station", "sampler-ram")
    assert "0x2000_27FC, in area sampler-ram of core sampler" in finding.found
    assert "0x2000_0000..0x2000_1FFF (area station-ram)" in finding.expected


def test_expected_addresses_are_those_the_core_sees() -> None:
    """For a core with its own view of RAM, the addresses it must use are given as it sees them."""
    (finding,) = findings(BREAKS["as the other core sees it"]())
    assert "in no memory that core sampler sees" in finding.found
    assert "0x3000_2000..0x3000_2FFF (area sampler-ram)" in finding.expected


def test_a_core_without_ram_in_the_layout_is_not_checked() -> None:
    """If the layout names no RAM of a core, the rule says so instead of guessing."""
    result = of(RULE, read=layout({'ram = ["sampler-ram", "sampler-run"]': "ram = []"}))
    assert result.status == "not checked"
    assert [each.where for each in result.holds] == ["build station"]
    assert "names no RAM of core sampler" in result.not_checked[0].reason


def test_a_blank_table_is_not_checked() -> None:
    """The stack pointer of a blank table is another rule's business."""
    result = of(RULE, station=station_elf(words={0: 0, 1: 0}))
    assert result.status == "not checked"
    assert "vector-table-not-blank" in result.not_checked[0].reason
