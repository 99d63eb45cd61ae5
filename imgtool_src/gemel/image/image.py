"""An image as a file format gives it, and as commands handle it: its bytes, and what its file says besides."""

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
    """An image file as read, whatever its format.

    ``entry`` is the start address that the file names, with the Thumb bit if it is there; None if it
    names none.  ``remarks`` are oddities that do not stop the file from being read.
    """

    image: SparseBytes
    entry: int | None
    remarks: tuple[Problem, ...] = ()
    gaps: tuple[RecordGap, ...] = ()


class Folder(Struct):
    """A release folder: its name, and the SHA-256 of its ``SHA256SUMS``, in hexadecimal (None: it has none)."""

    name: str
    sums_sha256: str | None


class ImageFile(Struct):
    """The file that an image was read from: its size in bytes and the SHA-256 of its bytes.

    ``at`` is the address that was given for a raw binary (None: none was), ``folder`` the release folder that was
    judged as a whole (None: the file alone).
    """

    size: int
    sha256: bytes
    at: int | None = None
    folder: Folder | None = None


class Image(Struct):
    """One image, read from a file or just joined.

    ``entry`` is the start address that the file names, with the Thumb bit if it is there; None if it names
    none.  ``remarks`` are oddities that do not stop the file from being read.  ``file`` is the file's name
    without its folder, for reports; empty for an image that was never in a file.  ``leaves_bytes_out`` is
    false of a raw binary, which holds every byte from its first to its last.  ``read_from`` is None for an image
    that was never in a file.
    """

    data: SparseBytes
    entry: int | None = None
    remarks: tuple[Problem, ...] = ()
    file: str = ""
    leaves_bytes_out: bool = True
    read_from: ImageFile | None = None
