"""Other ends that are offered for the ranges of a checksum that does not match."""

from __future__ import annotations

import pytest

from gemel.checksums.coverages import MAX_PARTS, Bound, other_bounds
from gemel.image.sparse import SparseBytes
from gemel.spans import Span

START, END = 0x1000, 0x3000


@pytest.mark.parametrize(("parts", "offered"), [(1, True), (MAX_PARTS, True), (MAX_PARTS + 1, False)])
def test_other_ends_are_offered_of_no_more_than_many_parts(parts: int, offered: bool) -> None:
    """Each of them takes as long as all ranges of the checksum together."""
    image = SparseBytes()
    image.write(START, bytes(END - START))
    covered = [Span(START + 16 * number, 8) for number in range(parts)]
    memory, place = Span.from_bounds(START, END), Span(END - 4, 4)
    found = other_bounds(image, covered, place, 0xFF, memory, [], [Bound(0x2000, "at the end of area link")])
    assert bool(found.coverages) is offered
    assert bool(found.starts) is offered
