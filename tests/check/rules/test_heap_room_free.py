"""``heap-room-free``: heaps over data, code in RAM and stacks of the same build."""

from __future__ import annotations

from elf_writer import SegmentSpec, SymbolSpec
from ram_and_start import of
from small_device import STATION_RAM, apply, builds, findings, station_elf
from start_tables import DATA, label

RULE = "heap-room-free"
BSS = SegmentSpec(STATION_RAM + 64, b"", memory_size=0x100, flags="rw")


def _heap(start, end, *symbols, segments=()):
    named = (label("__heap_start__", start), label("__heap_end__", end), *symbols)
    elf = station_elf(ram=None, extra=(DATA, BSS, *segments), symbols=named)
    return apply(RULE, None, None, builds(station=elf))


def _object(name, address, size):
    return SymbolSpec(name, address, size, "object")


def _sized(size, end, *symbols):
    named = (SymbolSpec("_Min_Heap_Size", size, kind="notype", section=0xFFF1), label("end", end), *symbols)
    elf = station_elf(ram=None, extra=(DATA, BSS), symbols=named)
    return apply(RULE, None, None, builds(station=elf))


def _array(size):
    """An object of ``size`` bytes in a section of 0x100 bytes that is the heap."""
    start = STATION_RAM + 0x200
    section = SegmentSpec(start, b"", memory_size=0x100, flags="rw", section_name=".heap")
    return _heap(start, start + 0x100, _object("arena", start, size), segments=(section,))


BREAKS = {
    "into the stack": lambda: of(RULE, "station-heap-into-stack"),
    "over cleared data": lambda: of(RULE, "station-heap-over-data"),
    "over initialised data": lambda: _heap(STATION_RAM + 0x20, STATION_RAM + 0x40),
    "over two objects": lambda: _heap(
        STATION_RAM + 0x50,
        STATION_RAM + 0x400,
        _object("levels", STATION_RAM + 0x40, 0x20),
        _object("depths", STATION_RAM + 0x80, 0x20),
    ),
    "over an object in a section of the heap": lambda: _array(0x20),
    "ends before it starts": lambda: _heap(STATION_RAM + 0x800, STATION_RAM + 0x400),
    "of a stated size, into the stack": lambda: _sized(
        0x1000,
        STATION_RAM + 0x140,
        label("__StackLimit", STATION_RAM + 0x1000),
        label("__StackTop", STATION_RAM + 0x2000),
    ),
}
KEEPS = {
    "between data and stack": lambda: _heap(
        STATION_RAM + 0x140,
        STATION_RAM + 0x1000,
        label("__StackLimit", STATION_RAM + 0x1000),
        label("__StackTop", STATION_RAM + 0x2000),
        _object("levels", STATION_RAM + 0x40, 0x100),
    ),
    "an array among the cleared data that is the heap": lambda: _heap(
        STATION_RAM + 0x40, STATION_RAM + 0x140, _object("heap_memory", STATION_RAM + 0x40, 0x100)
    ),
    "an array that is the section of the heap": lambda: _array(0x100),
    "of a stated size": lambda: _sized(0x400, STATION_RAM + 0x140),
    "sound, in place": lambda: of(RULE, "station", handed=("station", "sampler")),
}


def test_a_build_without_a_heap_is_no_party() -> None:
    """Where no build sets a heap aside there is nothing to check, and the rule says so."""
    result = apply(RULE)
    assert result.status == "does not apply"
    assert [each.reason for each in result.not_applicable] == [result.rule.absent]


def test_a_heap_of_no_bytes_is_none() -> None:
    """Equal ends set nothing aside."""
    result = _heap(STATION_RAM + 0x20, STATION_RAM + 0x20)
    assert not findings(result)
    assert result.status == "does not apply"
