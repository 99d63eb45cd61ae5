"""Bytes of stamps apart from any join: widths, padding, what they read, and why they cannot be had."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_device import SAMPLER, STATION, joined, layout

from gemel.errors import Problem
from gemel.joining.stamps import StampSources, spans_read, stamp_bytes
from gemel.layout.model import Stamp, StampValue
from gemel.placement.placed import Version
from gemel.spans import Span

TOP_MEMORY = '[memory.top]\nkind = "flash"\nstart = 0xFFFF_F000\nsize = "4 KiB"\n'
TOP_AREA = 'top = { memory = "top", offset = 0, size = 4096, purpose = "data" }'
LAYOUT = layout().layout
MADE = joined()
SOURCES = StampSources(LAYOUT, MADE.image, MADE.placed, Version(1, 2, 3), 7)


def _stamp(value: Any, width: int = 4, byte_order: Any = "little") -> Stamp:
    return Stamp(name="s", at=0x1000_1800, width=width, byte_order=byte_order, value=value)


@given(st.integers(0, (1 << 64) - 1), st.integers(1, 12), st.sampled_from(["little", "big"]))
def test_numbers_take_their_width_or_are_refused(value: int, width: int, order: Any) -> None:
    """A number that fits comes back from its bytes; one that does not is a problem, never cut short."""
    made = stamp_bytes(_stamp(value, width, order), SOURCES)
    if isinstance(made, Problem):
        assert value.bit_length() > 8 * width
        assert made.found == f"{value:#x}"
    else:
        assert len(made) == width
        assert int.from_bytes(made, order) == value


@pytest.mark.parametrize(("unit", "due"), [(1, 4096), (4, 1024), (256, 16), (1000, 5), (8192, 1)])
def test_a_size_in_words_or_pages(unit: int, due: int) -> None:
    """Of an area of 4 KiB, as many units as hold all of it."""
    stamp = Stamp(name="s", at=0x1000_1800, width=4, value=StampValue(size_of="station-code"), unit=unit)
    assert stamp_bytes(stamp, SOURCES) == due.to_bytes(4, "little")


@given(st.text(max_size=20), st.integers(1, 24))
def test_texts_are_padded_or_refused(text: str, width: int) -> None:
    """A text is its UTF-8 bytes and zeros behind them; one that is too long is a problem."""
    data = text.encode()
    made = stamp_bytes(_stamp(text, width, "big"), SOURCES)
    if isinstance(made, Problem):
        assert len(data) > width
    else:
        assert made == data + bytes(width - len(data))


def test_a_version_needs_a_version() -> None:
    """Without a version both forms say how to give one."""
    sources = StampSources(LAYOUT, MADE.image, MADE.placed, None, 0)
    for form in ("packed", "text"):
        made = stamp_bytes(_stamp(StampValue(version=form), 16), sources)
        assert isinstance(made, Problem)
        assert (made.what, made.where) == ("no version was given", "stamp s")
        assert "--version" in made.next_step


def test_the_largest_packed_version() -> None:
    """8, 8 and 16 bits hold 255.255.65535 and nothing above."""
    sources = StampSources(LAYOUT, MADE.image, MADE.placed, Version(255, 255, 65535), 0)
    assert stamp_bytes(_stamp(StampValue(version="packed")), sources) == b"\xff" * 4
    assert isinstance(stamp_bytes(_stamp(StampValue(version="packed"), 3), sources), Problem)


def test_only_digests_read_the_image() -> None:
    """A digest depends on the bytes it covers; addresses, lengths, ids and versions on none."""
    assert spans_read(_stamp(StampValue(sha256_of="station"), 32), LAYOUT, MADE.placed) == [
        Span(STATION, 0x130)
    ]
    assert spans_read(_stamp(StampValue(sha256_of="spare"), 32), LAYOUT, MADE.placed) == [
        Span(0x1000_2000, 0x800)
    ]
    for value in (1, "text", StampValue(size_of="station"), StampValue(version="text")):
        assert spans_read(_stamp(value, 8), LAYOUT, MADE.placed) == []


def test_a_name_of_build_and_area() -> None:
    """Where a build and an area share a name, the build is meant."""
    read = layout({"[build.sampler]": "[build.spare]"})
    placed = {"spare": MADE.placed["sampler"]}
    sources = StampSources(read.layout, MADE.image, placed, None, 0)
    assert stamp_bytes(_stamp(StampValue(start_of="spare")), sources) == SAMPLER.to_bytes(4, "little")


@pytest.mark.parametrize("key", ["size_of", "start_of", "end_of"])
def test_an_area_at_the_end_of_the_address_space(key: str) -> None:
    """The end of an area that ends with the address space does not fit 4 bytes, and is not wrapped to 0."""
    read = layout(
        {
            "station-ram = {": f"{TOP_AREA}\nstation-ram = {{",
            "[memory.ram]": f"{TOP_MEMORY}\n[memory.ram]",
        }
    )
    sources = StampSources(read.layout, MADE.image, MADE.placed, None, 0)
    made = stamp_bytes(_stamp(StampValue(**{key: "top"})), sources)
    assert isinstance(made, Problem) == (key == "end_of")
