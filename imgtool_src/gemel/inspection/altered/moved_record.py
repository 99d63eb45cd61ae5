"""A sound record elsewhere in the image than in its area."""

from __future__ import annotations

from contextlib import suppress
from itertools import islice

from gemel.image.sparse import places_in
from gemel.inspection.inspection import Inspection, once
from gemel.record.format import MARK, MAX_BUILDS, record_size
from gemel.record.record import Record, RecordError, decode
from gemel.spans import ADDRESS_SPACE, Span, align_up
from gemel.structs import NamedTuple

MAX_MARKS = 16
"""Places of the mark that are looked at: code that looks for a record holds it too."""


class MovedRecord(NamedTuple):
    """A record, how many bytes after its place it is (before: below 0), and the whole write units that it takes."""

    record: Record
    distance: int
    span: Span


@once
def moved_record(inspection: Inspection) -> MovedRecord | None:
    """The sound record that is not at its place, where none is there; None if there is none."""
    plan = inspection.layout.record
    if plan is None or inspection.record is not None:
        return None
    start = inspection.layout.span_of(plan.area).start
    for at in islice(places_in(inspection.image.pieces(), MARK), MAX_MARKS):
        size = min(record_size(MAX_BUILDS), ADDRESS_SPACE - at)
        with suppress(RecordError):
            record = decode(inspection.image.read(Span(at, size), 0xFF), "")
            unit = inspection.layout.memory_of(plan.area).write_unit
            return MovedRecord(record, at - start, Span(at, align_up(record_size(len(record.builds)), unit)))
    return None
