"""What reading an image file returns, whatever its format."""

from __future__ import annotations

from gemel.errors import Problem
from gemel.image.sparse import SparseBytes
from gemel.structs import Struct


class Decoded(Struct):
    """An image file as read.

    ``entry`` is the start address that the file names, with the Thumb bit if it is there; None if it
    names none.  ``remarks`` are oddities that do not stop the file from being read.
    """

    image: SparseBytes
    entry: int | None
    remarks: tuple[Problem, ...] = ()
