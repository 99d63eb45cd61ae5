"""Limits of what is looked at in builds and images, each at both its sides."""

from __future__ import annotations

import struct
from unittest.mock import patch

import pytest
from both_sides import Limits, assert_both_sides
from elf_writer import SegmentSpec, SymbolSpec, elf
from image_edits import changed
from small_device import CODE, STATION, STATION_RAM, build, builds, joined, layout, station_elf

from gemel.builds.build import Build
from gemel.image.sparse import SparseBytes
from gemel.inspection.altered.byte_order import disorder
from gemel.inspection.byte_orders import ORDERS
from gemel.inspection.code.core_settings import why_may_write
from gemel.inspection.cores.implausible_handlers import implausible_handlers
from gemel.inspection.cores.views import LOWEST_RETURN, described_word
from gemel.inspection.embedded_copies import HeldCopy, copies_of, places_of_table
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.instead_of_tables import instead_of_table
from gemel.inspection.start_up.tables import start_blocks
from gemel.spans import Span
from gemel.structs import replace

NOP, FLOAT, RETURN, CALL_R3 = b"\x00\xbf", b"\x00\xee\x10\x0a", b"\x70\x47", b"\x98\x47"
"""NOP, VMOV S0, R0, BX LR and BLX R3."""


def _call(distance: int) -> bytes:
    """BL to ``distance`` bytes after it (Armv8-M Architecture Reference Manual, "BL", encoding T1)."""
    offset = (distance - 4) >> 1
    return struct.pack("<HH", 0xF000 | offset >> 11 & 0x7FF, 0xF800 | offset & 0x7FF)


def _inspected() -> Inspection:
    return Inspection(layout(), joined().image, builds())


def _functions(*codes: bytes, symbols: tuple[SymbolSpec, ...] = (), data: bytes = b"") -> Build:
    """A build of functions next to each other, and data after them."""
    at, named = STATION, []
    for number, code in enumerate(codes):
        named.append(SymbolSpec(f"f{number}", at + 1, len(code)))
        at += len(code)
    return build("station", elf([SegmentSpec(STATION, b"".join(codes) + data)], symbols=[*named, *symbols]))


def _deviations(count: int) -> bool:
    """Whether swapped bytes are seen in the last of ``count`` pieces; in the others a few bytes are others."""
    starts = [STATION + 0x400 + 0x100 * number for number in range(count)]
    data = bytes(range(128))
    given = builds(station=station_elf(extra=tuple(SegmentSpec(at, data, flags="r") for at in starts)))
    writes = dict.fromkeys(starts[:-1], b"\xee\x11")
    image = changed(joined(handed=given).image, {**writes, starts[-1]: ORDERS[1].of(data)})
    return disorder(Inspection(layout(), image, given)) is not None


def _followed(count: int) -> bool:
    """Whether ``count`` instructions are followed to say that none of them writes a register."""
    return not why_may_write(_functions(NOP * (count - 1) + RETURN), 0x5000_0000)


def _copies(count: int) -> bool:
    """Whether ``count`` copies of a build in other bytes are all found."""
    inspection = _inspected()
    placement = inspection.placements["sampler"]
    copy = bytes(placement.pieces[0].segment.data)
    return len(copies_of(inspection, placement, [HeldCopy(STATION, copy * count)])) == count


def _older_table(count: int) -> bool:
    """Whether the last of ``count`` words like a stack pointer begins an older vector table that is found."""
    words = [0x2000_1000] * (count - 1) + [0x2000_1000, 0x101, 0x103, 0x105]
    head = struct.pack("<2I", 0x2000_1000, 0x121)
    return bool(places_of_table(struct.pack(f"<{len(words)}I", *words), head, [Span(0x100, 0x100)], ()))


def _streams(count: int) -> bool:
    """Whether a constant is seen for one that the last of ``count`` functions loads, each called by the one before."""
    inspection = _inspected()
    placed = inspection.placed["station"]
    start = placed.stored.start
    load = b"\x00\x4b"  # LDR R3, [PC, #0]: the word that begins 4 bytes on, at an address that 4 divides
    code = (_call(8) + RETURN * 2) * (count - 1) + load + RETURN
    constant = start + len(code)
    image = changed(inspection.image, {start: code + RETURN * 2})
    table = VectorTable(
        inspection.layout.builds["station"],
        inspection.layout.cores["station"],
        placed,
        Span(start, 12),
        (STATION_RAM, start + 1, constant + 1),
    )
    return constant + 1 in implausible_handlers(Inspection(layout(), image, {}), table, table.words[1:])


def _spread(size: int) -> bool:
    """Whether a handler far from the vector table is looked at, in a build of so many bytes with a hole in it."""
    inspection = _inspected()
    placed = inspection.placed["station"]
    start = placed.stored.start
    image = SparseBytes()
    image.write(start, NOP * 16 + RETURN)
    image.write(start + size - 16, struct.pack("<4I", 1, 2, 3, 4))
    far = start + size - 16 + 1
    table = VectorTable(
        inspection.layout.builds["station"],
        inspection.layout.cores["station"],
        replace(placed, stored=Span(start, size)),
        Span(start, 12),
        (STATION_RAM, start + 1, far),
    )
    with patch("gemel.inspection.cores.implausible_handlers.FAR", 16):
        return far in implausible_handlers(Inspection(layout(), image, {}), table, table.words[1:])


def _table_after(words: int) -> bool:
    """Whether a vector table is found so many words after its place."""
    data = bytes(4 * words) + struct.pack("<4I", STATION_RAM + 0x2000, *[STATION + 0x81] * 3) + CODE * 16
    given = build("station", elf([SegmentSpec(STATION, data)]))
    read = layout()
    inspection = Inspection(read, joined(read).image, builds())
    found = instead_of_table(
        read.layout,
        read.layout.builds["station"],
        lambda span: data[span.start - STATION :][: span.size],
        given,
        inspection.placed["station"],
    )
    return found is not None and f"{4 * words:,} bytes after" in found.what


def _entries(count: int) -> bool:
    """Whether all rows of a table of blocks to clear are read."""
    rows = b"".join(struct.pack("<2I", STATION_RAM + 16 * number, 8) for number in range(count))
    symbols = (
        SymbolSpec("__zero_table_start__", STATION + 2, kind="notype"),
        SymbolSpec("__zero_table_end__", STATION + 2 + len(rows), kind="notype"),
    )
    return len(start_blocks(_functions(RETURN, symbols=symbols, data=rows)).clears) == count


LIMITS: Limits = {
    "inspection.altered.build_order.MAX_DEVIATIONS": (3, _deviations),
    "m_profile.code.address_flow.MAX_STEPS": (8, _followed),
    "inspection.embedded_copies.MAX_COPIES": (3, _copies),
    "inspection.embedded_copies.MAX_PLACES": (3, _older_table),
    "inspection.cores.implausible_handlers.MAX_STREAMS": (3, _streams),
    "inspection.cores.implausible_handlers.MAX_SIZE": (0x100, _spread),
    "inspection.instead_of_tables.MAX_WORDS": (8, _table_after),
    "inspection.start_up.tables.MAX_ENTRIES": (3, _entries),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is looked at, and one more is left out."""
    assert_both_sides(monkeypatch, LIMITS, name)


def test_the_lowest_exception_return() -> None:
    """A word from the limit on is an exception return value, one below is an address."""
    inspection = _inspected()
    words = [described_word(inspection, "station", word) for word in (LOWEST_RETURN, LOWEST_RETURN - 1)]
    assert ["exception return" in each for each in words] == [True, False]
