"""``start-copies-into-own-ram``: copies that run on into RAM of others or what the cores share."""

from __future__ import annotations

from elf_writer import SegmentSpec
from gauge_rules import on_the_gauge
from ram_and_start import of
from small_device import (
    LINK,
    SAMPLER,
    SAMPLER_RAM,
    SAMPLER_RUN,
    STATION_RAM,
    apply,
    findings,
)
from start_tables import DATA_AT, with_symbols, with_table

RULE = "start-copies-into-own-ram"
BYTES = bytes(range(1, 65))
TO_LINK = SegmentSpec(DATA_AT, BYTES, LINK, flags="rw")
TO_SAMPLER = SegmentSpec(DATA_AT, BYTES, SAMPLER_RAM + 0x800, flags="rw")

BREAKS = {
    "the other core's data": lambda: of(RULE, "station-copy-over-sampler"),
    "what the cores share": lambda: of(RULE, "sampler-copy-over-link"),
    "both": lambda: with_symbols(RULE, end=LINK + 16),
    "an entry of a table": lambda: with_table(RULE, (DATA_AT, STATION_RAM, 64), (DATA_AT, SAMPLER_RAM, 0x40)),
    "memory that is none": lambda: with_table(RULE, (DATA_AT, 0x7000_0000, 64)),
    "flash": lambda: with_table(RULE, (DATA_AT, SAMPLER, 64)),
    "ends before it starts": lambda: with_symbols(RULE, end=STATION_RAM - 4),
    "a copied build, and on after its area": lambda: with_table(
        RULE, (SAMPLER, SAMPLER_RUN, 0x1000), copied=True
    ),
}
KEEPS = {
    "its own data": lambda: with_symbols(RULE),
    "more of its own RAM": lambda: with_symbols(RULE, end=STATION_RAM + 0x1000),
    "the run area of a copied build": lambda: with_table(RULE, (SAMPLER, SAMPLER_RUN, 0xC00), copied=True),
    "data that it stores for the shared area": lambda: with_symbols(
        RULE, start=LINK, end=LINK + 64, segment=TO_LINK
    ),
    "sound, in place": lambda: of(RULE, "station"),
    "sound, copied": lambda: of(RULE, "copying-station"),
    **on_the_gauge(RULE),
}


def test_data_for_memory_of_others_is_left_to_its_rule() -> None:
    """What the build stores for the other core's RAM is told by ram-claims-in-own-areas, not once more."""
    result = with_symbols(RULE, start=SAMPLER_RAM + 0x800, end=SAMPLER_RAM + 0x840, segment=TO_SAMPLER)
    assert result.status == "holds"


def test_each_place_is_told_once_to_the_byte() -> None:
    """A block from the own RAM over the other core's into the shared area gives one finding that names both."""
    (found,) = findings(BREAKS["both"]())
    assert found.parties[-2:] == ("link", "sampler-ram")
    copied = [line.split(",")[0] for line in (found.found, *found.lines) if line.startswith("copies")]
    assert copied == ["copies over 0x2000_3000..0x2000_300F", "copies over 0x2000_2000..0x2000_2FFF"]


def test_without_symbols_nothing_is_known() -> None:
    """A build without the usual symbols is no party; the image alone needs the file."""
    assert apply(RULE).status == "not checked"
    assert {each.reason for each in apply(RULE, handed={}).not_checked} == {
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    }
