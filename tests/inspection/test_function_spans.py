"""What functions take, by the symbols of a build."""

from __future__ import annotations

from elf_writer import SegmentSpec, SymbolSpec, elf

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.inspection.code.core_settings import function_span_at, function_spans
from gemel.spans import Span

FLASH = 0x0800_0000
SYMBOLS = [
    SymbolSpec("reset", FLASH + 5, 6),
    SymbolSpec("reset_alias", FLASH + 5),
    SymbolSpec("from_library", FLASH + 0x11),
    SymbolSpec("last", FLASH + 0x21, 8),
    SymbolSpec("table", FLASH + 0x2C, 4, kind="object"),
    SymbolSpec("imported", 0, section=0),
]


def test_the_function_at_an_address_is_the_one_whose_span_holds_it() -> None:
    """Of every address; one without a size reaches to the next, and what is between two is of none."""
    build = read_build(
        BytesSource(elf([SegmentSpec(FLASH, bytes(64))], symbols=SYMBOLS)), name="a", file="a.elf"
    )
    spans = function_spans(build)
    assert spans == [Span(FLASH + 4, 6), Span(FLASH + 0x10, 0x10), Span(FLASH + 0x20, 8)]
    for address in (0, *range(FLASH, FLASH + 64)):
        holding = [each for each in spans if each.holds(address)]
        assert function_span_at(build, address) == (holding[0] if holding else None)
