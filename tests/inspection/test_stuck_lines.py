"""Data and address lines that are always 0 or 1, by what the builds store and what the image holds."""

from __future__ import annotations

import random

import pytest

from gemel.image.sparse import SparseBytes
from gemel.inspection.altered.disorders import MAX_COMPARED, MAX_STUCK_BITS, address_line, data_lines

START = 0x1000_0000
DATA = random.Random(11).randbytes(MAX_COMPARED + 256)


@pytest.mark.parametrize("bits", range(1, 9))
@pytest.mark.parametrize("level", [0, 1])
def test_up_to_four_data_lines_may_be_stuck(bits: int, level: int) -> None:
    """More say nothing: of bytes that are all erased or zero all are."""
    mask = (1 << bits) - 1
    found = bytes(value | mask if level else value & ~mask & 0xFF for value in DATA)
    said = data_lines([(START, DATA, found)])
    assert (said is not None) == (bits <= MAX_STUCK_BITS)
    if said:
        assert said[0] == f"bit {' and '.join(map(str, range(bits)))} of each byte is always {level}"


@pytest.mark.parametrize(("changed", "stuck"), [(MAX_COMPARED - 1, False), (MAX_COMPARED, True)])
@pytest.mark.parametrize("line", [0, 3, 8, 12])
def test_an_address_line_explains_all_that_is_looked_at(line: int, changed: int, stuck: bool) -> None:
    """One other byte is no fault of a line, unless it is after what is compared."""
    found = bytearray(DATA[at & ~(1 << line)] for at in range(len(DATA)))
    found[changed] ^= 0x10
    expected = SparseBytes()
    expected.write(START, DATA)
    assert (address_line([(START, DATA, bytes(found))], expected) is not None) == stuck


def test_another_build_in_the_place_of_one_is_no_fault_of_a_line() -> None:
    """What is all from the other half of flash may be the other build, which other rules name."""
    first, second = DATA[:1024], DATA[1024:2048]
    expected = SparseBytes()
    expected.write(START, first)
    expected.write(START + 0x8000, second)
    held = [(START, first, second), (START + 0x8000, second, second)]
    assert address_line(held, expected) is None
