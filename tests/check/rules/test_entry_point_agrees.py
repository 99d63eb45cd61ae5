"""Tests of the rule ``entry-point-agrees``."""

from __future__ import annotations

import struct

from small_device import STATION, apply, builds, findings, joined, layout, sampler_elf, station_elf
from vector_fixtures import alone, copied_layout, copied_sampler, hex_build, of

from gemel.checking.rules.entry_point_agrees import NO_ENTRY

RULE = "entry-point-agrees"
OTHER = STATION + 0x89


def _with_entry(elf: bytes, entry: int) -> bytes:
    """The same file with another e_entry (gABI, ELF header: offset 24)."""
    return elf[:24] + struct.pack("<I", entry) + elf[28:]


BREAKS = {
    "another function": lambda: of(RULE, station=_with_entry(station_elf(), OTHER)),
    "no Thumb bit": lambda: of(RULE, station=_with_entry(station_elf(), STATION + 0x80)),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "an alias of it": lambda: of(
        RULE,
        read=layout({"write_unit = 8": "write_unit = 8\naliases = [0]"}),
        station=_with_entry(station_elf(), 0x81),
    ),
    "copied sampler": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
}


def test_it_is_a_note_that_names_both_functions() -> None:
    """A file that enters elsewhere is a note with both functions."""
    result = BREAKS["another function"]()
    assert result.severity == "note"
    (finding,) = findings(result)
    assert finding.found == "entry point 0x1000_0089 (other_handler) in station.elf"
    assert finding.expected == "0x1000_0081 (reset_handler), the reset handler"
    assert finding.lines == ()
    (finding,) = findings(BREAKS["no Thumb bit"]())
    assert finding.lines == (NO_ENTRY,)


def test_it_needs_a_file_with_an_entry_point() -> None:
    """Without the file, with one that states no entry, and with a HEX file that has none, nothing is held."""
    assert [each.reason for each in alone(RULE).not_checked] == [
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    ]
    none = of(RULE, station=_with_entry(station_elf(), 0))
    assert [each.reason for each in none.not_checked] == ["the file states none (e_entry is 0)"]
    handed = {**builds(), "station": hex_build("station", station_elf())}
    from_hex = apply(RULE, image=joined().image, handed=handed)
    assert from_hex.status == "not checked"
    assert "Intel HEX" in from_hex.not_checked[0].reason


def test_a_blank_table_is_not_checked() -> None:
    """A blank table has no reset handler to compare with."""
    assert of(RULE, sampler=sampler_elf(words={0: 0, 1: 0})).status == "not checked"
