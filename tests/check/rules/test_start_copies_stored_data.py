"""``start-copies-stored-data``: sources of copy tables and symbols that are not where the data is stored."""

from __future__ import annotations

import struct

from elf_writer import SegmentSpec
from gauge_rules import on_the_gauge
from ram_and_start import build_of, of
from small_device import (
    FLASH,
    SAMPLER,
    SAMPLER_RUN,
    STATION,
    STATION_RAM,
    apply,
    builds,
    findings,
    station_elf,
)
from start_tables import DATA, DATA_AT, TABLE_AT, label, with_symbols, with_table

from gemel.inspection.start_up.tables import StartEntry, start_blocks
from gemel.spans import Span

RULE = "start-copies-stored-data"
SHORT = SegmentSpec(DATA_AT, bytes(range(1, 41)), STATION_RAM, flags="rw")
BEHIND = SegmentSpec(STATION_RAM + 64, b"", memory_size=0x100, flags="rw", section_name=".bss")
FURTHER = SegmentSpec(DATA_AT + 0x100, bytes(range(1, 65)), STATION_RAM + 0x100, flags="rw")


ARRAY = ("__data_regions_array_begin__", "__data_regions_array_end__")


BREAKS = {
    "the run address as the source": lambda: of(RULE, "sampler-data-from-ram"),
    "four bytes next to": lambda: with_symbols(RULE, source=DATA_AT + 4),
    "from nowhere": lambda: with_symbols(RULE, source=0x7000_0000),
    "ends before it starts": lambda: with_symbols(RULE, end=STATION_RAM - 4),
    "to where nothing is initialised": lambda: with_symbols(
        RULE, start=STATION_RAM + 0x400, end=STATION_RAM + 0x440
    ),
    "the second entry of a table": lambda: with_table(
        RULE, (DATA_AT, STATION_RAM, 8), (DATA_AT + 8, STATION_RAM + 32, 8)
    ),
    "an end after the other core's data": lambda: of(RULE, "station-copy-over-sampler"),
    "an end in shared RAM": lambda: of(RULE, "sampler-copy-over-link"),
    "an end in cleared data": lambda: of(RULE, "sampler-copy-over-readings"),
    "16 bytes of cleared data": lambda: with_symbols(RULE, end=STATION_RAM + 80, more=(BEHIND,)),
    "more than an alignment leaves": lambda: with_symbols(RULE, end=STATION_RAM + 64 + 76),
    "an array of ends, one too far": lambda: with_table(
        RULE, (DATA_AT, STATION_RAM, STATION_RAM + 112), names=ARRAY
    ),
    "from after all flash": lambda: with_table(RULE, (DATA_AT, STATION_RAM, 0xF0_0004)),
    "a copied build, from next to it": lambda: with_table(
        RULE, (SAMPLER + 16, SAMPLER_RUN, 0x100), copied=True
    ),
}
ODD = SegmentSpec(DATA_AT, bytes(range(1, 63)), STATION_RAM, flags="rw")


def _with_end_of_code():
    """Data whose ends are named as where ``__etext`` is its source, in a build that names another source."""
    names = {"__etext": STATION + 0x300, "_sidata": DATA_AT}
    names |= {"__data_start__": STATION_RAM, "__data_end__": STATION_RAM + 64}
    symbols = tuple(label(name, value) for name, value in names.items())
    return apply(RULE, None, None, builds(station=station_elf(ram=None, extra=(DATA,), symbols=symbols)))


KEEPS = {
    "an array of ends": lambda: with_table(RULE, (DATA_AT, STATION_RAM, STATION_RAM + 64), names=ARRAY),
    "an array of ends, one of nothing": lambda: with_table(
        RULE,
        (DATA_AT, STATION_RAM, STATION_RAM + 64),
        (DATA_AT + 64, STATION_RAM + 64, STATION_RAM + 64),
        names=ARRAY,
    ),
    "by a table in words, the last one not whole": lambda: with_table(
        RULE, (DATA_AT, STATION_RAM, 16), segment=ODD
    ),
    "by symbols": lambda: with_symbols(RULE),
    "by a table in words": lambda: with_table(RULE, (DATA_AT, STATION_RAM, 16)),
    "by a table in bytes": lambda: with_table(RULE, (DATA_AT, STATION_RAM, 64)),
    "in two pieces": lambda: with_table(
        RULE, (DATA_AT, STATION_RAM, 32), (DATA_AT + 32, STATION_RAM + 32, 32)
    ),
    "rounded up to a word, into cleared data": lambda: with_symbols(
        RULE, end=STATION_RAM + 68, more=(BEHIND,)
    ),
    "rounded up to 32 bytes, in front of cleared data": lambda: with_symbols(
        RULE, segment=SHORT, more=(BEHIND,)
    ),
    "two sections apart, in one block": lambda: with_symbols(RULE, end=STATION_RAM + 0x140, more=(FURTHER,)),
    "a build that the station brings to RAM": lambda: with_table(
        RULE, (DATA_AT, STATION_RAM, 64), (SAMPLER, SAMPLER_RUN, 0x400), copied=True
    ),
    "sound, in place": lambda: of(RULE, "station"),
    "sound, copied": lambda: of(RULE, "copying-station"),
    **on_the_gauge(RULE),
}


def test_the_end_of_code_is_no_source_where_another_is_named() -> None:
    """``__etext`` says where data is stored only where no symbol does; what copies it is not known then."""
    result = _with_end_of_code()
    assert (result.status, findings(result)) == ("not checked", [])


def test_tables_of_a_real_build_are_read_in_words() -> None:
    """The station's tables, whose sizes count words, give the blocks that its sections take (readelf)."""
    station = build_of("station", "station")
    sections = {section.name: section.span for section in station.sections.all()}
    copies, clears = start_blocks(station)[:2]
    assert [entry.span for entry in copies] == [sections[".ramcode"], sections[".data"]]
    assert [station.load_address_of(entry.start) for entry in copies] == [entry.source for entry in copies]
    assert [entry.span for entry in clears] == [sections[".bss"]]
    assert copies[0].named_by == "entry 0 of the table at __copy_table_start__"


def test_both_tables_count_in_the_same_unit() -> None:
    """A size that fits no section counts words where another entry or the other table does."""
    station = build_of("station", "station-cleared-in-part")
    (block,) = start_blocks(station).clears
    assert block.span.size == 0x40
    _, entry = start_blocks(build_of("station", "station-copy-over-sampler")).copies
    assert entry.span.size == 0x2000


def test_an_array_is_a_table_with_ends() -> None:
    """Labels of an array name no block: its words are load address, start and end, or start and end."""
    data = struct.pack("<5I", DATA_AT, STATION_RAM, STATION_RAM + 64, STATION_RAM + 64, STATION_RAM + 256)
    symbols = (
        *(label(name, TABLE_AT + 12 * index) for index, name in enumerate(ARRAY)),
        label("__bss_regions_array_begin__", TABLE_AT + 12),
        label("__bss_regions_array_end__", TABLE_AT + 20),
    )
    elf = station_elf(ram=None, extra=(DATA, SegmentSpec(TABLE_AT, data, flags="r")), symbols=symbols)
    station = builds(station=elf)["station"]
    assert [(each.source, each.span) for each in start_blocks(station).copies] == [
        (DATA_AT, Span(STATION_RAM, 64))
    ]
    assert [each.span for each in start_blocks(station).clears] == [Span(STATION_RAM + 64, 192)]


def test_what_is_copied_too_much_is_told_to_the_byte() -> None:
    """Of 112 bytes that lie over 64 stored ones and cleared ones, 48 are too many, with their source."""
    (finding,) = findings(with_symbols(RULE, end=STATION_RAM + 112, more=(BEHIND,)))
    assert finding.found.startswith("48 bytes after the stored ones")
    assert str(Span(STATION_RAM + 64, 48)) in finding.found
    assert f"from {Span(DATA_AT + 64, 48)}, in area station-code" in finding.found


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
    (entry,) = start_blocks(builds(station=elf)["station"]).copies
    told = "entry 0 of the table at __copy_table_start__"
    assert entry == StartEntry(DATA_AT, STATION_RAM, STATION_RAM + 64, told)
    assert entry.span == Span(STATION_RAM, 64)


def test_hostile_tables_are_bounded() -> None:
    """A table that ends before it starts, or that is not stored, is not read."""
    for size in (-12, 0x1000_0000):
        result = with_table(RULE, (DATA_AT, STATION_RAM, 16), size=size)
        assert not findings(result)
        assert result.status == "not checked"
