"""An older image's record, which the image under check must not fall behind."""

from __future__ import annotations

from gemel.errors import Problem
from gemel.image.sparse import SparseBytes
from gemel.layout.model import Layout
from gemel.record.format import MAX_BUILDS
from gemel.record.record import Record, RecordError, RecordFault, decode, find, record_size
from gemel.spans import ADDRESS_SPACE, Span
from gemel.structs import Struct


class Previous(Struct):
    """The sound record of an older image; ``name`` is its file's, ``data`` the record's exact bytes."""

    name: str
    record: Record
    data: bytes


def previous_of(layout: Layout, image: SparseBytes, name: str) -> Previous:
    """The record in ``image``: in the layout's area or, since that may have moved, the only other one.

    Raises RecordError where there is no sound record, or several and none in the area.
    """
    expected = layout.span_of(layout.record.area).start if layout.record else None
    found = _at(image, expected, name) if expected is not None else None
    if found:
        return found
    others = [each for address in find(image.pieces()) if (each := _at(image, address, name))]
    if len(others) == 1:
        return others[0]
    raise RecordError([(RecordFault.NO_MARK, _none_or_several(name, len(others)))])


def _at(image: SparseBytes, address: int, name: str) -> Previous | None:
    size = min(record_size(MAX_BUILDS), ADDRESS_SPACE - address)
    data = image.read(Span(address, size), 0xFF)
    try:
        record = decode(data, name)
    except RecordError:
        return None
    return Previous(name, record, data[: record_size(len(record.builds))])


def _none_or_several(name: str, count: int) -> Problem:
    if count:
        what, found = "the previous image has several records, none in the record's area", f"{count} records"
    else:
        what, found = "the previous image has no sound record", "none"
    step = "give the image as it was joined, whole"
    return Problem(what, where=name, found=found, expected="one sound record", next_step=step)
