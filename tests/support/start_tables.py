"""The small device's station with labels, tables and code that copy and clear its data."""

from __future__ import annotations

import struct

from elf_writer import SegmentSpec, SymbolSpec
from small_device import (
    STATION,
    STATION_RAM,
    apply,
    builds,
    station_elf,
)
from vector_fixtures import copied_layout, copied_sampler

DATA_AT, TABLE_AT = STATION + 0x400, STATION + 0x600
DATA = SegmentSpec(DATA_AT, bytes(range(1, 65)), STATION_RAM, flags="rw")


def label(name, value):
    """A symbol of a linker script."""
    return SymbolSpec(name, value, kind="notype")


def with_symbols(rule, source=DATA_AT, start=STATION_RAM, end=STATION_RAM + 64, segment=DATA, more=()):
    """The small device whose station copies its data as ``_sidata``, ``_sdata`` and ``_edata`` say."""
    symbols = (label("_sidata", source), label("_sdata", start), label("_edata", end))
    elf = station_elf(ram=None, extra=(segment, *more), symbols=symbols)
    return apply(rule, None, None, builds(station=elf))


COPY_TABLE = ("__copy_table_start__", "__copy_table_end__")


def with_table(rule, *rows, segment=DATA, size=None, copied=False, names=COPY_TABLE):
    """The same, by a copy table of ``rows``; ``copied`` with a sampler that runs in RAM."""
    data = b"".join(struct.pack("<3I", *row) for row in rows)
    symbols = (
        label(names[0], TABLE_AT),
        label(names[1], TABLE_AT + (len(data) if size is None else size)),
    )
    table = SegmentSpec(TABLE_AT, data, flags="r")
    elf = station_elf(ram=None, extra=(segment, table), symbols=symbols)
    if copied:
        return apply(rule, copied_layout(), None, builds(elf, copied_sampler()))
    return apply(rule, None, None, builds(station=elf))
