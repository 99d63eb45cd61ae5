"""An older image's record, which the image under check must not be below."""

from __future__ import annotations

from gemel.errors import Problem
from gemel.image.sparse import SparseBytes
from gemel.layout.model import Layout
from gemel.record.record import Record, RecordError, RecordFault, record_at, record_size, sound_records
from gemel.spans import Span
from gemel.structs import Struct, replace


class Previous(Struct):
    """The sound record of an older image; ``name`` is its file's, ``data`` the record's exact bytes."""

    name: str
    record: Record
    data: bytes


def reused_version(previous: Previous | None, record: Record | None) -> list[Problem]:
    """A remark where product, version and counter are those of the previous image, and the builds are others."""
    if previous is None or record is None:
        return []
    first, second = (
        replace(each, builds=(), layout_sha256=b"", rest_sha256=b"") for each in (previous.record, record)
    )
    builds = [[each.sha256 for each in one.builds] for one in (previous.record, record)]
    if first != second or builds[0] == builds[1]:
        return []
    return [
        Problem(
            "two images of one version: version and counter are those of the previous image, and the builds are others",
            where=f"the image, and {previous.name} (--previous)",
            found=f"version {record.version}, rollback counter {record.rollback} in both",
            expected="a version of its own for each image that is released",
            next_step="give this one a higher version: --version X.Y.Z, or version in the layout",
        )
    ]


def previous_of(layout: Layout, image: SparseBytes, name: str) -> Previous:
    """The record in ``image``: in the layout's area or, since that may have moved, the only other one.

    Raises RecordError where there is no sound record, or several and none in the area.
    """
    expected = layout.span_of(layout.record.area).start if layout.record else None
    found = record_at(image, expected) if expected is not None else None
    if found and expected is not None:
        return _previous(image, name, expected, found)
    others = list(sound_records(image))
    if len(others) == 1:
        return _previous(image, name, *others[0])
    raise RecordError([(RecordFault.NO_MARK, _none_or_several(name, len(others)))])


def _previous(image: SparseBytes, name: str, start: int, record: Record) -> Previous:
    return Previous(name, record, bytes(image.read(Span(start, record_size(len(record.builds))), 0xFF)))


def _none_or_several(name: str, count: int) -> Problem:
    if count:
        what, found = "the previous image has several records, none in the record's area", f"{count} records"
    else:
        what, found = "the previous image has no sound record", "none"
    step = "give the image as it was joined, whole"
    return Problem(what, where=name, found=found, expected="one sound record", next_step=step)
