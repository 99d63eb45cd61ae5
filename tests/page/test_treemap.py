"""Treemaps: areas in proportion to bytes, nothing outside and nothing twice, every symbol once."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from page import pages

from gemel.page.symbols import BuildSymbols, PageSymbol
from gemel.page.treemap import HEIGHT, MAX_FOLDERS, MAX_SYMBOLS, WIDTH, Box, boxes_of, treemap

INSIDE = Box(10, 20, 900, 260)


@given(st.lists(st.integers(1, 1 << 30), min_size=1, max_size=80))
def test_areas_are_in_proportion_and_apart(sizes: list[int]) -> None:
    """Each box has its share of the area, lies inside, and no two overlap."""
    sizes.sort(reverse=True)
    boxes = boxes_of(sizes, INSIDE)
    whole = INSIDE.width * INSIDE.height
    for size, box in zip(sizes, boxes, strict=True):
        assert box.width * box.height == pytest.approx(whole * size / sum(sizes), rel=1e-6, abs=1e-6)
        assert box.x >= INSIDE.x - 1e-6
        assert box.y >= INSIDE.y - 1e-6
        assert box.x + box.width <= INSIDE.x + INSIDE.width + 1e-6
        assert box.y + box.height <= INSIDE.y + INSIDE.height + 1e-6
    for at, one in enumerate(boxes):
        for other in boxes[at + 1 :]:
            wide = min(one.x + one.width, other.x + other.width) - max(one.x, other.x)
            high = min(one.y + one.height, other.y + other.height) - max(one.y, other.y)
            assert min(wide, high) < 1e-5


def test_equal_sizes_give_nearly_squares() -> None:
    """The example of the paper, 6 6 4 3 2 2 1 in 6 by 4: no box is longer than three times its width."""
    boxes = boxes_of([6, 6, 4, 3, 2, 2, 1], Box(0, 0, 6, 4))
    assert (boxes[0].width, boxes[0].height) == (3, 2)
    assert (boxes[2].width, boxes[2].height) == pytest.approx((12 / 7, 7 / 3))
    assert max(max(each.width / each.height, each.height / each.width) for each in boxes) < 3


def _own(symbols: list[PageSymbol], folders: tuple[str, ...]) -> BuildSymbols:
    return BuildSymbols("station", symbols, folders, (), (), "")


def test_a_symbol_for_each_place() -> None:
    """Aliases count once, symbols without a size not at all; the largest are named, the others counted."""
    many = [PageSymbol(0x1000 + 16 * at, 4 + at % 9, f"name_{at}", 1, at % 20) for at in range(500)]
    own = _own(
        [*many, PageSymbol(0x1000, 4, "alias", 1, 3), PageSymbol(9, 0, "no_size", 2, 1)],
        tuple(map(str, range(20))),
    )
    drawn = treemap(own, 0)
    assert drawn.count('class="part ') == MAX_SYMBOLS
    assert drawn.count(" smaller symbols of ") <= MAX_FOLDERS
    counted = re.findall(r"([\d,]+) smaller symbols of ", drawn)
    assert MAX_SYMBOLS + sum(int(each) for each in counted) == len(many)
    assert "9 smaller folders" in drawn
    assert "no_size" not in drawn


def test_nothing_to_draw() -> None:
    """A build whose symbols have no sizes has no drawing."""
    assert treemap(_own([PageSymbol(9, 0, "label", 2, 0)], ("",)), 0) == ""


def test_hostile_names_are_text() -> None:
    """Names of symbols and folders are escaped in the drawing, in words as in what the script reads."""
    own = _own([PageSymbol(at, 4, name, 1, 0) for at, name in enumerate(pages.HOSTILE)], (pages.HOSTILE[1],))
    drawn = treemap(own, 1)
    assert "<img" not in drawn
    assert "<script" not in drawn
    assert f'height="{HEIGHT}"' in drawn
    assert WIDTH > HEIGHT


def test_the_bytes_of_folders_are_those_of_their_places() -> None:
    """Of names for one place the longest counts, and the first by name where they are as long; once for each place."""
    own = _own(
        [
            PageSymbol(0x1000, 4, "short", 1, 0),
            PageSymbol(0x1000, 8, "a", 1, 1),
            PageSymbol(0x1000, 8, "b", 1, 2),
            PageSymbol(0x1010, 16, "c", 1, 2),
        ],
        ("x", "y", "z"),
    )
    assert [each.name for each in own.largest(2)] == ["c", "a"]
    assert re.findall(r"<title>(\w, \d+ bytes)<", treemap(own, 0)) == ["z, 16 bytes", "y, 8 bytes"]
