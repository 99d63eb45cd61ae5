"""Sound records in an image, wherever they are, of a bounded number of marks."""

from __future__ import annotations

import pytest
from records import tide_gauge_record

from gemel.image.sparse import SparseBytes
from gemel.record.format import MARK
from gemel.record.record import MAX_MARKS, encode, record_at, sound_records

START = 0x1000_0000


def image_after(marks: int) -> SparseBytes:
    """An image of so many marks without a record, 16 bytes apart, and then a sound record."""
    image = SparseBytes()
    image.write(START, MARK.ljust(16, b"\0") * marks + encode(tide_gauge_record()))
    return image


@pytest.mark.parametrize("marks", [0, 1, MAX_MARKS - 1])
def test_found_among_broken_ones(marks: int) -> None:
    """The one sound record is found with its address; a mark alone is none."""
    image = image_after(marks)
    assert list(sound_records(image)) == [(START + 16 * marks, tide_gauge_record())]
    assert record_at(image, START + 16 * marks) == tide_gauge_record()
    assert record_at(image, START + 4) is None


def test_no_further_marks_are_looked_at() -> None:
    """After as many marks as an image can have in earnest, nothing more is decoded."""
    assert list(sound_records(image_after(MAX_MARKS))) == []
