"""What reading an image file returns, whatever its format."""

from __future__ import annotations

from gemel.errors import Problem
from gemel.image.sparse import SparseBytes
from gemel.spans import Span
from gemel.structs import NamedTuple, Struct


class RecordGap(NamedTuple):
    """Bytes that no record of a text format has, as if one after ``line`` had been lost."""

    span: Span
    line: int

    @property
    def may_be_alignment(self) -> bool:
        """Whether what comes next may have been aligned: as many bytes are to its next multiple of a power of two."""
        end = self.span.end
        return self.span.size < end & -end


class Decoded(Struct):
    """An image file as read.

    ``entry`` is the start address that the file names, with the Thumb bit if it is there; None if it
    names none.  ``remarks`` are oddities that do not stop the file from being read.
    """

    image: SparseBytes
    entry: int | None
    remarks: tuple[Problem, ...] = ()
    gaps: tuple[RecordGap, ...] = ()
