"""The sound records in an image, wherever they are."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.image.sparse import SparseBytes
from gemel.record.format import MAX_BUILDS
from gemel.record.record import Record, RecordError, decode, find, record_size
from gemel.spans import ADDRESS_SPACE, Span

MAX_MARKS = 1024
"""Marks of records that are looked at: an image has one record, or one for each of its slots."""


def record_at(image: SparseBytes, start: int) -> Record | None:
    """The record at an address; None where there is no sound one."""
    span = Span(start, min(record_size(MAX_BUILDS), ADDRESS_SPACE - start))
    try:
        return decode(image.read(span, 0xFF), "")
    except RecordError:
        return None


def sound_records(image: SparseBytes) -> Iterator[tuple[int, Record]]:
    """Address and record of every sound record, of the first ``MAX_MARKS`` marks, by address."""
    for start in find(image.pieces())[:MAX_MARKS]:
        if record := record_at(image, start):
            yield start, record
