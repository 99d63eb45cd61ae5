"""The model of one build, whatever kind of file it came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.builds.debug_information import DebugInformation
    from gemel.builds.elf.attributes import BuildAttributes
    from gemel.builds.elf.section_table import SectionTable
    from gemel.builds.elf.symbols import SymbolTable
    from gemel.errors import Problem

ALIGNMENT_GAP = 32
"""Gaps of fewer bytes between two sections are alignment: no stack, not even an exception's frame, fits."""

BuildKind = Literal["elf", "hex", "srec", "bin"]
"""What kind of file a build is: linked ELF, Intel HEX, S-record, raw binary."""

Subject = Literal[
    "run addresses",
    "RAM use",
    "access rights",
    "entry point",
    "symbols",
    "build id",
    "build attributes",
    "sections",
]
"""What a build may be unable to tell; each text of ``Build.missing`` begins with one of these."""


@dataclass(frozen=True, slots=True)
class Segment:
    """One piece of a build: bytes stored at ``load_address``, used at ``run_address``.

    ``memory_size`` (bytes) is how far it reaches at run time; it is at least ``len(data)``, and what exceeds
    that is cleared by start-up code and takes no flash.  ``data`` may be empty: then the segment only
    claims memory.  ``index`` is its number in the file, from 0 (for an ELF file, the number of the
    program header).  ``pieces`` are the run spans of its sections and of what it stores beside them, by
    address and apart, where these leave gaps or end inside it; empty where all of it counts as one.
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

    @property
    def load_span(self) -> Span:
        """Where its bytes are stored; empty if it only claims memory."""
        return Span(self.load_address, len(self.data))

    @property
    def run_span(self) -> Span:
        """The memory it takes at run time, from its first byte to its last."""
        return Span(self.run_address, self.memory_size)

    @property
    def taken(self) -> tuple[Span, ...]:
        """The memory it takes at run time without the gaps between its pieces, alignment aside."""
        if not self.pieces:
            return (self.run_span,)
        result = [self.pieces[0]]
        for piece in self.pieces[1:]:
            if piece.start - result[-1].end < ALIGNMENT_GAP:
                result[-1] = Span.from_bounds(result[-1].start, piece.end)
            else:
                result.append(piece)
        return tuple(result)

    @property
    def taken_unstored(self) -> tuple[Span, ...]:
        """Those of ``taken`` of which the file stores no byte."""
        stored = Span(self.run_address, len(self.data))
        return tuple(span for span in self.taken if not span.overlaps(stored))


@dataclass(frozen=True, slots=True)
class Build:
    """One build, sound in itself: its segments lie inside the address space and do not contradict.

    ``segments`` are in order of load address.  ``entry`` keeps the Thumb bit.  ``remarks`` are oddities
    that do not keep the build from being used.  ``missing`` says in words what this file cannot tell,
    each text as ``subject: reason``; :meth:`reason_for` finds one.
    """

    name: str
    file: str
    kind: BuildKind
    segments: tuple[Segment, ...]
    entry: int | None = None
    build_id: bytes | None = None
    attributes: BuildAttributes | None = None
    symbols: SymbolTable | None = None
    sections: SectionTable | None = None
    debug: DebugInformation | None = None
    remarks: tuple[Problem, ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def stored(self) -> tuple[Segment, ...]:
        """The segments that hold bytes, in order of load address."""
        return tuple(segment for segment in self.segments if segment.data)

    @property
    def stored_size(self) -> int:
        """Bytes it takes in the image (overlapping equal bytes counted once for each segment)."""
        return sum(len(segment.data) for segment in self.segments)

    @property
    def ram_claims(self) -> tuple[Span, ...]:
        """What it takes at run time, flash and RAM alike, in order of run address.

        Which of these lie in RAM is for the caller to say, who knows the memories.
        """
        return tuple(sorted(span for segment in self.segments for span in segment.taken if span.size))

    def reason_for(self, subject: Subject) -> str:
        """Why this build cannot tell ``subject``; empty if it can."""
        start = f"{subject}: "
        return next((text[len(start) :] for text in self.missing if text.startswith(start)), "")

    def segment_at_load(self, address: int) -> Segment | None:
        """The segment that stores a byte at load address ``address``."""
        return next((segment for segment in self.segments if segment.load_span.holds(address)), None)

    def segment_at_run(self, address: int) -> Segment | None:
        """The segment that takes the memory at run address ``address``."""
        return next((segment for segment in self.segments if segment.run_span.holds(address)), None)

    def load_address_of(self, run_address: int, size: int = 1) -> int | None:
        """Where the ``size`` bytes that are used at ``run_address`` are stored.

        None if they are not stored: outside every segment, or in cleared memory.
        """
        wanted = Span(run_address, size)
        for segment in self.segments:
            if Span(segment.run_address, len(segment.data)).covers(wanted):
                return segment.load_address + run_address - segment.run_address
        return None

    def read_at_run(self, run_address: int, size: int) -> bytes | None:
        """The ``size`` bytes used at ``run_address`` as the file stores them; None if not stored."""
        wanted = Span(run_address, size)
        for segment in self.segments:
            if Span(segment.run_address, len(segment.data)).covers(wanted):
                start = run_address - segment.run_address
                return segment.data[start : start + size]
        return None
