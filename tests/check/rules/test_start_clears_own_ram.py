"""``start-clears-own-ram``: blocks cleared at the start that are shared, stored or not the core's own."""

from __future__ import annotations

import struct

import pytest
from elf_writer import SegmentSpec
from gauge_rules import on_the_gauge
from ram_and_start import of
from small_device import SAMPLER_RAM, STATION_RAM, apply, builds, findings, station_elf
from start_tables import DATA, DATA_AT, TABLE_AT, label
from verdict_builds import of as built

RULE = "start-clears-own-ram"
BSS = SegmentSpec(STATION_RAM + 64, b"", memory_size=0x100, flags="rw")


def _cleared(start, end, *segments, size=None):
    symbols = (label("__bss_start__", start), label("__bss_end__", end))
    symbols += () if size is None else (label("__bss_size__", size),)
    elf = station_elf(ram=None, extra=(DATA, BSS, *segments), symbols=symbols)
    return apply(RULE, None, None, builds(station=elf))


def _idle_labels():
    """Code holds the end; a size that leads below the start is a label that it does not use."""
    start, end = STATION_RAM + 64, STATION_RAM + 0x140
    ldr = SegmentSpec(TABLE_AT, struct.pack("<2H2I", 0x4800, 0xE7FE, end, 0), flags="rx")
    symbols = (label("__bss_start__", start), label("__bss_end__", end), label("__bss_size__", 0xFFFF_FF00))
    elf = station_elf(ram=None, extra=(DATA, BSS, ldr), symbols=symbols)
    return apply(RULE, None, None, builds(station=elf))


def _table(*rows):
    data = b"".join(struct.pack("<2I", *row) for row in rows)
    symbols = (
        label("__zero_table_start__", TABLE_AT),
        label("__zero_table_end__", TABLE_AT + len(data)),
    )
    table = SegmentSpec(TABLE_AT, data, flags="r")
    elf = station_elf(ram=None, extra=(DATA, BSS, table), symbols=symbols)
    return apply(RULE, None, None, builds(station=elf))


BREAKS = {
    "what the cores share": lambda: built(RULE, "v8", "sampler-link-cleared"),
    "what the primary has written before the release": lambda: built(
        RULE, "v7", "station-link-marked", "sampler-ram-cleared-on"
    ),
    "initialised data": lambda: of(RULE, "sampler-data-cleared"),
    "far into the other core's RAM": lambda: _cleared(STATION_RAM + 64, SAMPLER_RAM + 0x10),
    "ends before it starts": lambda: _cleared(STATION_RAM + 64, STATION_RAM),
    "a size that reaches past the end": lambda: _cleared(STATION_RAM + 64, STATION_RAM + 0x140, size=0x80000),
    "a size below zero": lambda: _cleared(STATION_RAM + 64, STATION_RAM + 0x140, size=0xFFFF_FF00),
    "memory that is none": lambda: _cleared(0x7000_0000, 0x7000_0010),
    "an entry of a table in bytes": lambda: _table((STATION_RAM + 64, 0x100), (SAMPLER_RAM + 8, 0x20)),
}
KEEPS = {
    "what the cores share, by the primary": lambda: of(RULE, "station-link-cleared"),
    "what the primary has written, once it is taken": lambda: built(
        RULE, "v6", "station-link-marked", "sampler-link-taken"
    ),
    "all RAM of its own": lambda: built(RULE, "v8", "station-link-marked", "sampler-ram-cleared"),
    "the cleared data": lambda: _cleared(STATION_RAM + 64, STATION_RAM + 0x140),
    "a size that leads to the end": lambda: _cleared(STATION_RAM + 64, STATION_RAM + 0x140, size=0x100),
    "a size that no code uses": _idle_labels,
    "a size without the padding": lambda: _cleared(STATION_RAM + 64, STATION_RAM + 0x140, size=0xFD),
    "more of its own RAM": lambda: _cleared(STATION_RAM + 64, STATION_RAM + 0x1000),
    "a table in words": lambda: _table((STATION_RAM + 64, 0x40)),
    "sound, in place": lambda: of(RULE, "station"),
    "sound, copied": lambda: of(RULE, "copying-station"),
    **on_the_gauge(RULE),
}


def test_words_are_told_from_bytes_by_the_segments() -> None:
    """A block of 0x40 words ends where the segment of 0x100 bytes does; of 0x100 words it would not."""
    assert KEEPS["a table in words"]().status == "holds"
    assert not findings(_table((STATION_RAM + 64, 0x100)))


def test_segments_outside_the_own_ram_are_left_to_their_rule() -> None:
    """Cleared data in the other core's RAM is told by ram-claims-in-own-areas, not here once more."""
    segment = SegmentSpec(SAMPLER_RAM + 0x800, b"", memory_size=0x40, flags="rw")
    assert not findings(_cleared(SAMPLER_RAM + 0x800, SAMPLER_RAM + 0x840, segment))


def test_without_symbols_nothing_is_known() -> None:
    """A build without the usual symbols is no party; the image alone needs the file."""
    assert apply(RULE).status == "not checked"
    assert {each.reason for each in apply(RULE, handed={}).not_checked} == {
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    }


@pytest.mark.parametrize(
    ("sections", "named"),
    [
        ((".heap", 0x40, 0x40), "section .heap has the linker"),
        ((".bss", 0x40, 0x40, ".heap", 0x80, 0x40), "section .heap, after it, has the linker"),
    ],
    ids=["itself", "after it"],
)
def test_stored_zeros_name_the_section_that_has_them_stored(sections: tuple, named: str) -> None:
    """What a section with bytes, of cleared data or after it, makes the linker store is called zeros; it is named."""
    places = tuple(
        (sections[at], STATION_RAM + sections[at + 1], sections[at + 2]) for at in range(0, len(sections), 3)
    )
    size = 0x40 * len(places)
    zeros = SegmentSpec(DATA_AT + 0x80, bytes(size), STATION_RAM + 64, flags="rw", sections=places)
    symbols = (label("__bss_start__", STATION_RAM + 64), label("__bss_end__", STATION_RAM + 0x80))
    elf = station_elf(ram=None, extra=(DATA, zeros), symbols=symbols)
    (finding,) = findings(apply(RULE, None, None, builds(station=elf)))
    assert finding.what == "build station stores zeros for what its start-up code clears"
    assert finding.next_step.startswith(f"{named} store them: mark it (NOLOAD)")
