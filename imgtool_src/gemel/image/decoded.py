"""What reading an image file returns, whatever its format."""

from __future__ import annotations

from dataclasses import dataclass

from gemel.errors import Problem
from gemel.image.sparse import SparseBytes


@dataclass(frozen=True, slots=True)
class Decoded:
    """An image file as read.

    ``entry`` is the start address that the file names, with the Thumb bit if it is there; None if it
    names none.  ``remarks`` are oddities that do not stop the file from being read.
    """

    image: SparseBytes
    entry: int | None
    remarks: tuple[Problem, ...] = ()
