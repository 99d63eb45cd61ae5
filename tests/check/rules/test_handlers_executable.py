"""Tests of the rule ``handlers-executable``."""

from __future__ import annotations

from elf_writer import SegmentSpec, SymbolSpec
from small_device import (
    SAMPLER,
    STATION,
    STATION_RAM,
    apply,
    builds,
    findings,
    joined,
    sampler_elf,
    station_elf,
)
from vector_fixtures import (
    aliased_builds,
    aliased_layout,
    alone,
    copied_layout,
    copied_sampler,
    hex_build,
    of,
    viewed_builds,
    viewed_layout,
)

RULE = "handlers-executable"
TABLE = SegmentSpec(STATION + 0x400, b"\1" * 64, flags="r")
"""A segment of constants."""


def _station(words: dict[int, int]) -> bytes:
    return station_elf(words=words, extra=(TABLE,))


def _in_ram(*symbols: SymbolSpec):
    """A station with a handler in 64 bytes that its start copies to RAM."""
    copied = SegmentSpec(STATION + 0x400, b"\1" * 64, run_address=STATION_RAM + 0x800, flags="rwx")
    return of(RULE, station=station_elf(words={12: STATION_RAM + 0x801}, extra=(copied,), symbols=symbols))


VARIABLE = SymbolSpec("tides", STATION_RAM + 0x800, 64, "object")
FUNCTION = SymbolSpec("fast_handler", STATION_RAM + 0x801, 64)


BREAKS = {
    "in constants": lambda: of(RULE, station=_station({12: STATION + 0x401})),
    "reset handler in constants": lambda: of(RULE, station=_station({1: STATION + 0x401})),
    "in a gap": lambda: of(RULE, station=_station({16: STATION + 0x301, 17: STATION + 0x303})),
    "in the padding at the end": lambda: of(RULE, station=station_elf(words={16: STATION + 0x12D})),
    "in a variable": lambda: _in_ram(VARIABLE),
    "many interrupts": lambda: of(RULE, station=_station(dict.fromkeys(range(16, 30), STATION + 0x401))),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "last byte of code": lambda: of(RULE, station=station_elf(words={16: STATION + 0x12B})),
    "copied sampler": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
    "linked for an alias": lambda: of(RULE, read=aliased_layout(), **aliased_builds()),
    "own view of flash": lambda: of(RULE, read=viewed_layout(), **viewed_builds()),
    "elsewhere, which is another rule's business": lambda: of(RULE, station=_station({3: SAMPLER + 0x401})),
    "a function in RAM": lambda: _in_ram(FUNCTION),
    "a function in RAM that has an object around it": lambda: _in_ram(FUNCTION, VARIABLE),
    "code in RAM without a symbol": lambda: _in_ram(),
    "reserved words": lambda: of(RULE, station=_station({8: STATION + 0x401})),
}


def test_the_finding_names_segment_and_file() -> None:
    """A handler in constants is told with the number of the segment and the file."""
    (finding,) = findings(BREAKS["in constants"]())
    assert finding.found.endswith("in segment 2, which is not executable, of station.elf")
    assert "word 12 (DebugMonitor)" in finding.where


def test_it_needs_the_elf_file() -> None:
    """Neither the image alone nor a HEX file tells code from data."""
    result = alone(RULE)
    assert result.status == "not checked"
    assert [each.reason for each in result.not_checked] == [
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    ]
    handed = {**builds(), "station": hex_build("station", station_elf())}
    result = apply(RULE, image=joined().image, handed=handed)
    assert [each.where for each in result.not_checked] == ["build station"]
    assert "does not separate code from data" in result.not_checked[0].reason


def test_a_blank_table_is_not_checked() -> None:
    """The handlers of a blank table are another rule's business."""
    assert of(RULE, sampler=sampler_elf(words={0: 0, 1: 0})).status == "not checked"
