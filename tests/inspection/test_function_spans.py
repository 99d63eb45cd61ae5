"""What functions take, by the symbols of a build."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, SymbolSpec, elf

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.inspection.code.core_settings import INSIDE, function_span_at, function_spans
from gemel.spans import Span

FLASH = 0x0800_0000
SYMBOLS = [
    SymbolSpec("reset", FLASH + 5, 6),
    SymbolSpec("reset_alias", FLASH + 5),
    SymbolSpec("from_library", FLASH + 0x11),
    SymbolSpec("last", FLASH + 0x21, 8),
    SymbolSpec("table", FLASH + 0x2C, 4, kind="object"),
    SymbolSpec("imported", 0, section=0),
    SymbolSpec("outer", FLASH + 0x31, 14),
    SymbolSpec("inner", FLASH + 0x35, 4),
]


def test_the_function_at_an_address_is_the_one_whose_span_holds_it() -> None:
    """Of every address; one without a size reaches to the next, what is between two is of none, of two the inner."""
    build = read_build(
        BytesSource(elf([SegmentSpec(FLASH, bytes(64))], symbols=SYMBOLS)), name="a", file="a.elf"
    )
    spans = function_spans(build)
    nested = [Span(FLASH + 0x30, 14), Span(FLASH + 0x34, 4)]
    assert spans == [Span(FLASH + 4, 6), Span(FLASH + 0x10, 0x10), Span(FLASH + 0x20, 8), *nested]
    for address in (0, *range(FLASH, FLASH + 64)):
        holding = [each for each in spans if each.holds(address)]
        assert function_span_at(build, address) == (holding[-1] if holding else None)


@pytest.mark.parametrize(("inside", "seen"), [(INSIDE, True), (INSIDE + 1, False)])
def test_a_function_around_many_others_is_seen(inside: int, seen: bool) -> None:
    """After as many of them as are looked back over, and not after one more."""
    others = [SymbolSpec(f"inner_{at}", FLASH + 2 * at + 1, 2) for at in range(1, inside + 1)]
    symbols = [SymbolSpec("outer", FLASH + 1, 60), *others]
    build = read_build(
        BytesSource(elf([SegmentSpec(FLASH, bytes(64))], symbols=symbols)), name="a", file="a.elf"
    )
    assert function_span_at(build, FLASH + 50) == (Span(FLASH, 60) if seen else None)
