"""Images whose record says something other than the join wrote, each with a right CRC of its own."""

from __future__ import annotations

from typing import Any

from image_edits import changed
from small_device import RECORD, joined

from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout
from gemel.record.record import Record, decode, encode, record_size
from gemel.spans import Span
from gemel.structs import replace


def record_of(image: SparseBytes, builds: int = 2) -> Record:
    """The record in an image of the small device."""
    return decode(image.read(Span(RECORD, record_size(builds)), None), "the image's record")


def with_record(
    image: SparseBytes | None = None, read: ReadLayout | None = None, **values: Any
) -> SparseBytes:
    """The image (default: the sound join) with these fields of its record replaced."""
    image = joined(read).image if image is None else image
    return changed(image, {RECORD: encode(replace(record_of(image), **values))})


def with_entry(index: int, image: SparseBytes | None = None, **values: Any) -> SparseBytes:
    """The image (default: the sound join) with these fields of one entry replaced."""
    image = joined().image if image is None else image
    entries = list(record_of(image).builds)
    entries[index] = replace(entries[index], **values)
    return with_record(image, builds=tuple(entries))
