"""What is programmed besides the builds: holes and write units, each memory with its own erased byte."""

from __future__ import annotations

import pytest
from image_edits import holding
from small_device import FLASH, RECORD, SEAL, SPARE, layout

from gemel.image.sparse import SparseBytes
from gemel.joining.merging import fill, whole_units
from gemel.spans import Span

UNIT = 64
LAYOUT = layout({"write_unit = 8": f"write_unit = {UNIT}"}, '\n[seal]\narea = "seal"\n').layout


def test_only_what_is_missing_is_written() -> None:
    """Bytes that are held stay, holes between, before and behind them become the erased byte."""
    image = holding({FLASH + 2: b"\1\2", FLASH + 6: b"\3"})
    fill(LAYOUT, image, [Span(FLASH, 8), Span(FLASH + 4, 8)])
    assert image == holding({FLASH: b"\xff\xff\1\2\xff\xff\3" + b"\xff" * 5})


def test_reserved_areas_and_the_seal_are_left_alone() -> None:
    """Nothing is written into areas of purpose reserved or seal, whatever is asked."""
    image = SparseBytes()
    fill(LAYOUT, image, [Span(SPARE - 4, 0x808), Span(SEAL - 4, 0x408)])
    assert image.spans() == [
        Span(SPARE - 4, 4),
        Span(RECORD, 4),
        Span(SEAL - 4, 4),
        Span(SEAL + 0x400, 4),
    ]


def test_two_memories_that_touch() -> None:
    """A hole that reaches over the end of a memory is filled with the erased byte of each."""
    bank = (
        '[memory.bank]\nkind = "flash"\nstart = 0x1000_4000\nsize = "1 KiB"\nerased_byte = 0\n\n[memory.ram]'
    )
    image = SparseBytes()
    fill(layout({"[memory.ram]": bank}).layout, image, [Span(FLASH + 0x3FFE, 4)])
    assert image.read(Span(FLASH + 0x3FFE, 4), None) == b"\xff\xff\0\0"


def test_outside_all_memories_nothing_is_written() -> None:
    """There is no erased byte where there is no memory."""
    image = SparseBytes()
    fill(LAYOUT, image, [Span(0x9000_0000, 8)])
    assert image.size == 0


@pytest.mark.parametrize(
    ("span", "grown"),
    [
        (Span(FLASH + 1, 2), Span(FLASH, UNIT)),
        (Span(FLASH + UNIT - 1, 2), Span(FLASH, 2 * UNIT)),
        (Span(FLASH, UNIT), Span(FLASH, UNIT)),
        (Span(FLASH + 0x3001, 1), Span(FLASH + 0x3000, UNIT)),
        (Span(FLASH + 0x3FFF, 1), Span(FLASH + 0x4000 - UNIT, UNIT)),
        (Span(0x9000_0001, 2), Span(0x9000_0001, 2)),
    ],
)
def test_whole_units(span: Span, grown: Span) -> None:
    """A span grows to whole write units of its memory, and stays as it is where there is none."""
    assert whole_units(LAYOUT, span) == grown


def test_units_that_areas_share() -> None:
    """Where areas meet inside a write unit, growth ends where an area ends or begins."""
    read = layout(
        {
            "write_unit = 8": f"write_unit = {UNIT}",
            "station-ram = {": 'a = { memory = "flash", offset = 0x3010, size = 16, purpose = "data" }\n'
            'b = { memory = "flash", offset = 0x3020, size = 16, purpose = "data" }\nstation-ram = {',
        }
    ).layout
    assert whole_units(read, Span(FLASH + 0x3014, 4)) == Span(FLASH + 0x3010, 16)
    assert whole_units(read, Span(FLASH + 0x3034, 4)) == Span(FLASH + 0x3030, 16)
    assert whole_units(read, Span(FLASH + 0x3004, 4)) == Span(FLASH + 0x3000, 16)
