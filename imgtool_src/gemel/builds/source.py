"""Where the bytes of a build come from.

A linked file with debug information is often fifty times larger than what it loads, so the readers
ask a source for the parts they need.  The source that reads a file lives in ``cli``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from gemel.errors import BuildError

BLOCK_SIZE = 1 << 18
"""Bytes handed out at once by :func:`blocks_of`."""


class ByteSource(Protocol):
    """A file of known size that can be read anywhere.

    A build keeps its source for its symbol table, so it must stay readable as long as symbols are asked.
    """

    @property
    def size(self) -> int:
        """Size in bytes when the source was opened."""

    def read(self, offset: int, size: int) -> bytes:
        """Exactly ``size`` bytes from ``offset`` on.

        Raises BuildError if they are not there (the file became shorter since it was opened).
        """


class BytesSource:
    """A source over bytes that are already in memory."""

    __slots__ = ("_data", "_name")

    def __init__(self, data: bytes, name: str = "") -> None:
        """``name`` stands as the place in errors."""
        self._data = data
        self._name = name

    @property
    def size(self) -> int:
        """Size in bytes."""
        return len(self._data)

    def read(self, offset: int, size: int) -> bytes:
        """Exactly ``size`` bytes from ``offset`` on; BuildError if they are not there."""
        if offset < 0 or size < 0 or offset + size > len(self._data):
            raise BuildError(
                "the file ends before the bytes that were requested",
                where=self._name,
                found=f"{len(self._data):,} bytes",
                expected=f"{size:,} bytes from offset {offset:,} on",
                next_step="check that nothing writes the file while it is read, then try again",
            )
        return self._data[offset : offset + size]


def blocks_of(source: ByteSource) -> Iterator[bytes]:
    """All bytes of ``source`` in order, in blocks of at most ``BLOCK_SIZE``."""
    for offset in range(0, source.size, BLOCK_SIZE):
        yield source.read(offset, min(BLOCK_SIZE, source.size - offset))
