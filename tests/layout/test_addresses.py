"""What an address means: memories, aliases, and a core's own view."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from layout.reading import read
from small_device import layout_text

from gemel.layout.addresses import locate, plain_span, seen_by, starts_of
from gemel.spans import Span

LAYOUT = read(layout_text({"write_unit = 8": "write_unit = 8\naliases = [0x0000_0000, 0x0040_0000]"})).layout
# flash 0x1000_0000, 16 KiB, also at 0x0 and 0x0040_0000; ram 0x2000_0000, for the sampler at 0x3000_0000


@pytest.mark.parametrize(
    ("address", "core", "memory", "offset"),
    [
        (0x1000_0000, None, "flash", 0),
        (0x1000_3FFF, None, "flash", 0x3FFF),
        (0x1000_4000, None, None, 0),
        (0x0FFF_FFFF, None, None, 0),
        (0x0000_0000, None, "flash", 0),
        (0x0040_3FFF, None, "flash", 0x3FFF),
        (0x0000_1234, "station", "flash", 0x1234),
        (0x0000_1234, "sampler", "flash", 0x1234),
        (0x2000_0010, None, "ram", 0x10),
        (0x2000_0010, "station", "ram", 0x10),
        (0x2000_0010, "sampler", None, 0),
        (0x3000_0010, "sampler", "ram", 0x10),
        (0x3000_0010, "station", None, 0),
        (0x3000_0010, None, None, 0),
        (0x5000_0004, "sampler", "control", 4),
        (0xFFFF_FFFF, None, None, 0),
    ],
)
def test_an_address_is_located_as_its_observer_sees_it(
    address: int, core: str | None, memory: str | None, offset: int
) -> None:
    """Aliases hold for everybody, a view for one core and there instead of the plain address."""
    located = locate(LAYOUT, address, core)
    if memory is None:
        assert located is None
    else:
        assert located is not None
        assert (located.memory.name, located.offset) == (memory, offset)
        assert located.plain == located.memory.start + offset


def test_the_main_address_comes_first() -> None:
    """Where a core sees a memory: its view or start, then the aliases."""
    assert starts_of(LAYOUT.memories["flash"], None) == (0x1000_0000, 0, 0x0040_0000)
    assert starts_of(LAYOUT.memories["ram"], "sampler") == (0x3000_0000,)
    assert starts_of(LAYOUT.memories["ram"], "station") == (0x2000_0000,)


def test_a_span_keeps_its_size_in_plain_addresses() -> None:
    """A span that overruns its memory still does so, and one outside has no plain address."""
    assert plain_span(LAYOUT, Span(0x0040_3FFC, 8)) == Span(0x1000_3FFC, 8)
    assert plain_span(LAYOUT, Span(0x3000_0000, 4), "sampler") == Span(0x2000_0000, 4)
    assert plain_span(LAYOUT, Span(0x3000_0000, 4)) is None


@given(
    st.sampled_from(list(LAYOUT.memories.values())),
    st.integers(0, 0x3FFF),
    st.sampled_from(["station", "sampler"]),
)
def test_what_a_core_sees_is_where_it_is_found(memory: object, offset: int, core: str) -> None:
    """``seen_by`` and ``locate`` are each other's inverse inside memories."""
    assert hasattr(memory, "start")
    plain = memory.start + offset % memory.size  # type: ignore[attr-defined]
    located = locate(LAYOUT, seen_by(LAYOUT, plain, core), core)
    assert located is not None
    assert located.plain == plain


def test_outside_memories_an_address_is_seen_as_it_is() -> None:
    """What no memory holds has no view."""
    assert seen_by(LAYOUT, 0x7000_0000, "sampler") == 0x7000_0000
