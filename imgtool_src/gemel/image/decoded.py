"""What reading an image file returns, whatever its format."""

from __future__ import annotations

from gemel.errors import Problem
from gemel.image.sparse import SparseBytes
from gemel.spans import Span
from gemel.structs import NamedTuple, Struct


class RecordGap(NamedTuple):
    """Bytes that no record of a text format has, as if so many after ``line`` had been lost."""

    span: Span
    line: int
    records: int = 1

    @property
    def may_be_meant(self) -> bool:
        """Whether what comes next may have a place of its own, or be aligned to a power of two above the gap's size."""
        end = self.span.end
        return self.records > 1 or self.span.size < end & -end


class Decoded(Struct):
    """An image file as read.

    ``entry`` is the start address that the file names, with the Thumb bit if it is there; None if it
    names none.  ``remarks`` are oddities that do not stop the file from being read.
    """

    image: SparseBytes
    entry: int | None
    remarks: tuple[Problem, ...] = ()
    gaps: tuple[RecordGap, ...] = ()
