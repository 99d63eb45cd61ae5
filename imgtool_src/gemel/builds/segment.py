"""One segment of a build: bytes by load address, memory by run address."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import count

from gemel.spans import Span, merge
from gemel.structs import Struct, field

ALIGNMENT_GAP = 32
"""Gaps of fewer bytes between two sections are alignment: no stack, not even an exception's frame, fits."""

NO_SEGMENT = -1
"""The index of a segment that stands for a section in no segment."""


class Segment(Struct):
    """One piece of a build: bytes stored at ``load_address``, used at ``run_address``.

    ``memory_size`` (bytes) is how far it reaches at run time; it is at least ``len(data)``, and what exceeds
    that is cleared by start-up code and takes no flash.  ``data`` may be empty: then the segment only
    claims memory.  ``index`` is its number in the file, from 0 (for an ELF file, the number of the
    program header).  ``pieces`` are the run spans of its sections and of what it stores besides them, by
    address and apart, where these leave gaps or end inside it; empty where all of it counts as one.
    ``file_offset`` is where its bytes stand in an ELF file; ``section`` names the section that it stands for
    where that is in no segment of the file.
    """

    load_address: int
    run_address: int
    data: bytes
    memory_size: int
    readable: bool
    writable: bool
    executable: bool
    index: int
    pieces: tuple[Span, ...] = ()
    section: str = ""
    file_offset: int = field(default=0, compare=False)

    @property
    def words(self) -> str:
        """What messages call it: ``segment 2``, or ``section .shared, in no segment``."""
        return f"section {self.section}, in no segment" if self.section else f"segment {self.index}"

    def aligned_words(self) -> Iterator[tuple[int, int]]:
        """The words that it stores for run addresses that are multiples of 4, each after its address."""
        skipped = min(-self.run_address % 4, len(self.data))
        words = struct.unpack_from(f"<{(len(self.data) - skipped) // 4}I", self.data, skipped)
        return zip(count(self.run_address + skipped, 4), words, strict=False)

    @property
    def load_span(self) -> Span:
        """Where its bytes are stored; empty if it only claims memory."""
        return Span(self.load_address, len(self.data))

    @property
    def stored_run(self) -> Span:
        """Where the stored bytes are executed or used; empty if it stores none."""
        return Span(self.run_address, len(self.data))

    @property
    def run_span(self) -> Span:
        """The memory it takes at run time, from its first byte to its last."""
        return Span(self.run_address, self.memory_size)

    @property
    def taken(self) -> tuple[Span, ...]:
        """The memory it takes at run time without the gaps between its pieces, alignment aside."""
        return tuple(merge(self.pieces, ALIGNMENT_GAP - 1)) if self.pieces else (self.run_span,)

    @property
    def taken_unstored(self) -> tuple[Span, ...]:
        """Those of ``taken`` of which the file stores no byte."""
        stored = self.stored_run
        return tuple(span for span in self.taken if not span.overlaps(stored))
