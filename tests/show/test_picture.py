"""The picture's cells against a count byte by byte, and its widths."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sealed_images import OLD, REQUIRED, sealed
from shown_images import digests_apart, gauge, gauge_alone, plain, small, spoiled

import gemel
from gemel.show.as_text.picture import (
    MIN_CELLS,
    PictureColumns,
    PictureRow,
    cell_count,
    cells_of,
    columns_for,
    coverage,
    picture,
)
from gemel.show.as_text.tables import Column, table
from gemel.show.as_text.whole import NARROWEST, text_of
from gemel.spans import Span
from gemel.text.styled import (
    ASCII,
    BLOCKS,
    Styled,
    fitted,
    printable,
    shortened,
    width_of,
    wrapped,
)

START = 0x1000_0000


def cell_by_cell(count: int, size: int) -> list[set[int]]:
    """The offsets that each of ``count`` cells stands for: as even as whole bytes can be."""
    bounds = [size * index // count for index in range(count + 1)]
    return [set(range(first, end)) for first, end in pairwise(bounds)]


@given(st.integers(1, 80), st.integers(80, 600), st.data())
def test_cells_hold_what_a_byte_count_says(count, size, data):
    """First cell, last cell and covered bytes of each are those of a count over single bytes."""
    first = data.draw(st.integers(0, size - 1))
    length = data.draw(st.integers(1, size - first))
    whole, span = Span(START, size), Span(START + first, length)
    cells = cell_by_cell(count, size)
    offsets = set(range(first, first + length))
    touched = {index: len(cell & offsets) for index, cell in enumerate(cells) if cell & offsets}
    assert coverage([span], whole, count) == touched
    assert cells_of(span, whole, count) == (min(touched), max(touched))


@given(st.integers(20, 80), st.integers(80, 400), st.data())
def test_every_sign_is_true(most, size, data):
    """Each cell of a row shows free, under half, over half or all of the row's bytes in that cell."""
    first = data.draw(st.integers(0, size - 1))
    length = data.draw(st.integers(1, size - first))
    pieces = data.draw(st.lists(st.tuples(st.integers(0, length - 1), st.integers(1, 40)), max_size=4))
    taken = [Span(START + first + at, min(run, length - at)) for at, run in pieces]
    row = PictureRow("a", Span(START + first, length), tuple(taken), length, 1, 1.0)
    columns = PictureColumns(1, False, most, 1, 1, 1)
    lines = list(picture(Span(START, size), [row], columns, 200, BLOCKS))
    count = cell_count(Span(START, size), [row], most)
    bar = plain(lines[1:2])[2 : 2 + count]
    used = {address - START for span in taken for address in range(span.start, span.end)}
    for sign, cell in zip(bar, cell_by_cell(count, size), strict=True):
        inside = cell & set(range(first, first + length))
        share = len(inside & used) / len(inside) if inside else None
        expected = "·"
        if share is not None:
            expected = "░" if share == 0 else "▒" if share <= 0.5 else "▓" if share < 1 else "█"
        assert sign == expected


@given(st.integers(1, 1 << 32), st.integers(MIN_CELLS, 200))
def test_cell_count_uses_the_room(size, most):
    """The picture takes at least seven tenths of the room, and never more than there is."""
    count = cell_count(Span(0, size), [], most)
    assert most * 7 // 10 <= count <= most


def test_bounds_between_cells_are_preferred():
    """For 512 KiB with areas on multiples of 32 KiB, 32 cells are better than the 36 there is room for."""
    rows = [PictureRow("a", Span(start << 10, 32 << 10), (), 0) for start in (0, 32, 64)]
    assert cell_count(Span(0, 512 << 10), rows, 36) == 32


def test_narrow_room_gives_up_addresses_then_names():
    """Where a row is short of room it loses its address first, then the ends of long names."""
    row = PictureRow("a-name-of-23-characters", Span(0, 100), (), 100, 100, 100.0)
    wide, narrow, tight = (columns_for([row], width) for width in (90, 70, 45))
    assert wide.address
    assert not narrow.address
    assert narrow.label == 23
    assert tight.label < 23


CONTENTS = [gauge("in-place"), gauge("two-banks"), gauge_alone("copied"), small(spoiled)]


@given(st.sampled_from(CONTENTS), st.integers(1, 240), st.sampled_from([BLOCKS, ASCII]))
def test_no_line_exceeds_the_width(contents, width, signs):
    """At any width no line is wider than asked for, or than the narrowest there is."""
    for line in digests_apart(plain(text_of(contents, width, signs))).splitlines():
        assert width_of(line) <= max(width, NARROWEST)


@given(st.text(max_size=60), st.integers(0, 40), st.sampled_from([BLOCKS, ASCII]))
def test_shortened_text_fits(text, width, signs):
    """Cut text fits its width, wide characters counted twice, and is the start of the text."""
    text = printable(text, signs)
    cut = shortened(text, width, signs)
    assert width_of(cut) <= width
    assert cut == text or text.startswith(cut[: -len(signs.cut)]) or cut == ""


def test_control_characters_never_reach_the_terminal():
    """An escape sequence in a name is printed as an escape, and ASCII output has only ASCII."""
    line = fitted([Styled("a\x1b[31mb\ud800é")], 80, BLOCKS)
    assert line[0].text == r"a\x1b[31mb\ud800é"
    assert fitted([Styled("é")], 80, ASCII)[0].text == r"\xe9"


@given(st.lists(st.text("ab ", max_size=12), min_size=1, max_size=8), st.integers(14, 40))
def test_wrapping_keeps_every_word(texts, width):
    """Wrapped lines fit and hold the same words in the same order."""
    pieces = [Styled(text + " ") for text in texts]
    lines = wrapped(pieces, width, 2)
    assert plain(lines).split() == "".join(piece.text for piece in pieces).split()
    assert all(width_of("".join(piece.text for piece in line).rstrip()) <= width for line in lines)


@pytest.mark.parametrize(
    ("width", "expected"),
    [
        (17, "ab  12  long text"),
        (16, "ab 12 long text"),
        (15, "ab 12 long text"),
        (14, "ab 12 long te…"),
        (13, "ab 12"),
        (5, "ab 12"),
    ],
)
def test_tables_cut_their_last_flexible_column_first(width, expected):
    """A table gives up space between columns, then its last flexible column, of which MIN_LETTERS are shown
    or nothing, and keeps the fixed ones."""
    columns = (Column(), Column(right=True), Column(shortest=0))
    rows = [[Styled("ab"), Styled("12"), Styled("long text")]]
    assert plain(table(columns, rows, width, BLOCKS)).rstrip() == expected


@pytest.mark.parametrize(("width", "expected"), [(11, "ab text 12"), (9, "ab text"), (7, "ab text")])
def test_tables_cut_no_number(width, expected):
    """A column of numbers is whole or left out: the first digits of one would be another number."""
    columns = (Column(), Column(), Column(right=True, shortest=0))
    rows = [[Styled("ab"), Styled("text"), Styled("12")]]
    assert plain(table(columns, rows, width, BLOCKS)).rstrip() == expected


def test_a_key_is_whole_at_any_width():
    """The fingerprint of a signer can be compared and copied from the narrowest text."""
    image = gemel.Image(sealed(OLD), None, (), "sealed.hex")
    lines = plain(text_of(gemel.describe(image, REQUIRED), NARROWEST, BLOCKS)).splitlines()
    assert f"    key id {OLD.public_key.fingerprint.hex()}" in lines
