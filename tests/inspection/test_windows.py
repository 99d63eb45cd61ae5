"""Spans cut by the memories that an observer sees, against asking for every address singly."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from small_device import layout

from gemel.inspection.ram.windows import parts_of, windows_of
from gemel.layout.addresses import locate
from gemel.spans import Span

READ = layout(
    {
        "views = { sampler = 0x3000_0000 }": "views = { sampler = 0x1000_4000 }\naliases = [0x2000_4000]",
        'size = "16 KiB"\nviews': 'size = "16 KiB"\nviews',
    }
).layout
"""Flash ends where the sampler sees RAM begin, and RAM's alias follows RAM itself."""
EDGES = (0x1000_0000, 0x1000_4000, 0x1000_8000, 0x2000_0000, 0x2000_4000, 0x2000_8000, 0x5000_0000)


@given(
    core=st.sampled_from([None, "station", "sampler"]),
    edge=st.sampled_from(EDGES),
    before=st.integers(0, 40),
    size=st.integers(1, 0x4100),
)
def test_every_part_lies_where_each_of_its_addresses_does(
    core: str | None, edge: int, before: int, size: int
) -> None:
    """The parts of a span follow each other without a gap, and each says where its own bytes lie."""
    span = Span(edge - before, size)
    parts = parts_of(span, windows_of(READ, core))
    assert [part.seen.start for part in parts] == [span.start, *(part.seen.end for part in parts[:-1])]
    assert parts[-1].seen.end == span.end
    for part in parts:
        for address in (part.seen.start, part.seen.last):
            located = locate(READ, address, core)
            assert (located.memory if located else None) == part.memory
            assert (located.plain if located else address) == part.plain.start + address - part.seen.start


def test_an_empty_span_has_no_part() -> None:
    """Nothing lies nowhere."""
    assert parts_of(Span(0x1000_0000, 0), windows_of(READ)) == []
