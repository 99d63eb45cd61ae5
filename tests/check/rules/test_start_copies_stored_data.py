"""``start-copies-stored-data``: sources of copy tables and symbols that are not where the data is stored."""

from __future__ import annotations

import struct

from builds.elf_writer import SegmentSpec, SymbolSpec
from gauge_rules import on_the_gauge
from ram_and_start import build_of, of
from small_device import FLASH, STATION, STATION_RAM, apply, builds, findings, station_elf

from gemel.check.start_tables import StartEntry, clears_of, copies_of
from gemel.spans import Span

RULE = "start-copies-stored-data"
DATA_AT, TABLE_AT = STATION + 0x400, STATION + 0x600
DATA = SegmentSpec(DATA_AT, bytes(range(1, 65)), STATION_RAM, flags="rw")


def label(name, value):
    """A symbol of a linker script."""
    return SymbolSpec(name, value, kind="notype")


def with_symbols(rule, source=DATA_AT, start=STATION_RAM, end=STATION_RAM + 64, segment=DATA):
    """The small device whose station copies its data as ``_sidata``, ``_sdata`` and ``_edata`` say."""
    symbols = (label("_sidata", source), label("_sdata", start), label("_edata", end))
    return apply(rule, None, None, builds(station=station_elf(ram=None, extra=(segment,), symbols=symbols)))


def with_table(rule, *rows, segment=DATA, size=None):
    """The same, by a copy table of ``rows``."""
    data = b"".join(struct.pack("<3I", *row) for row in rows)
    symbols = (
        label("__copy_table_start__", TABLE_AT),
        label("__copy_table_end__", TABLE_AT + (len(data) if size is None else size)),
    )
    table = SegmentSpec(TABLE_AT, data, flags="r")
    elf = station_elf(ram=None, extra=(segment, table), symbols=symbols)
    return apply(rule, None, None, builds(station=elf))


BREAKS = {
    "the run address as the source": lambda: of(RULE, "sampler-data-from-ram"),
    "four bytes beside": lambda: with_symbols(RULE, source=DATA_AT + 4),
    "from nowhere": lambda: with_symbols(RULE, source=0x7000_0000),
    "ends before it starts": lambda: with_symbols(RULE, end=STATION_RAM - 4),
    "to where nothing is initialised": lambda: with_symbols(
        RULE, start=STATION_RAM + 0x400, end=STATION_RAM + 0x440
    ),
    "the second entry of a table": lambda: with_table(
        RULE, (DATA_AT, STATION_RAM, 8), (DATA_AT + 8, STATION_RAM + 32, 8)
    ),
}
KEEPS = {
    "by symbols": lambda: with_symbols(RULE),
    "by a table in words": lambda: with_table(RULE, (DATA_AT, STATION_RAM, 16)),
    "by a table in bytes": lambda: with_table(RULE, (DATA_AT, STATION_RAM, 64)),
    "in two pieces": lambda: with_table(
        RULE, (DATA_AT, STATION_RAM, 32), (DATA_AT + 32, STATION_RAM + 32, 32)
    ),
    "sound, in place": lambda: of(RULE, "station"),
    "sound, copied": lambda: of(RULE, "copying-station"),
    **on_the_gauge(RULE),
}


def test_tables_of_a_real_build_are_read_in_words() -> None:
    """The station's tables, whose sizes count words, give the blocks that its sections take (readelf)."""
    station = build_of("station", "station")
    sections = {section.name: section.span for section in station.sections.all()}
    copies, clears = copies_of(station), clears_of(station)
    assert [entry.span for entry in copies] == [sections[".ramcode"], sections[".data"]]
    assert [station.load_address_of(entry.start) for entry in copies] == [entry.source for entry in copies]
    assert [entry.span for entry in clears] == [sections[".bss"]]
    assert copies[0].told_by == "entry 0 of the table at __copy_table_start__"


def test_a_block_told_twice_is_looked_at_once() -> None:
    """Where a table and symbols tell of the same block, the table counts."""
    data = struct.pack("<3I", DATA_AT, STATION_RAM, 16)
    symbols = (
        label("__copy_table_start__", TABLE_AT),
        label("__copy_table_end__", TABLE_AT + 12),
        label("__etext", FLASH),
        label("__data_start__", STATION_RAM),
        label("__data_end__", STATION_RAM + 64),
    )
    elf = station_elf(ram=None, extra=(DATA, SegmentSpec(TABLE_AT, data, flags="r")), symbols=symbols)
    (entry,) = copies_of(builds(station=elf)["station"])
    told = "entry 0 of the table at __copy_table_start__"
    assert entry == StartEntry(DATA_AT, STATION_RAM, STATION_RAM + 64, told)
    assert entry.span == Span(STATION_RAM, 64)


def test_hostile_tables_are_bounded() -> None:
    """A table that ends before it starts, or that is not stored, is not read."""
    for size in (-12, 0x1000_0000):
        result = with_table(RULE, (DATA_AT, STATION_RAM, 16), size=size)
        assert not findings(result)
        assert result.status == "not checked"
