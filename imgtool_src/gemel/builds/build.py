"""The model of one build, whatever kind of file it came from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from gemel.builds.segment import Segment
from gemel.errors import Problem
from gemel.spans import Span
from gemel.structs import Struct, field

if TYPE_CHECKING:
    from gemel.builds.debug_information import DebugInformation
    from gemel.builds.elf.attributes import BuildAttributes
    from gemel.builds.elf.section_table import Section, SectionTable
    from gemel.builds.elf.symbol_entries import Symbol
    from gemel.builds.elf.symbols import SymbolTable
    from gemel.builds.source import ByteSource
    from gemel.image.image import RecordGap
    from gemel.span_index import Stretches

BuildKind = Literal["elf", "hex", "srec", "bin"]
"""What kind of file a build is: linked ELF, Intel HEX, S-record, raw binary."""

KIND_NAMES: dict[BuildKind, str] = {
    "elf": "an ELF file",
    "hex": "an Intel HEX file",
    "srec": "an S-record file",
    "bin": "a raw binary",
}
"""Each kind of build with its article, for messages."""

Aspect = Literal[
    "run addresses",
    "RAM use",
    "access permissions",
    "entry point",
    "symbols",
    "build id",
    "build attributes",
    "sections",
]
"""What a build may be unable to show; each text of ``Build.missing`` begins with one of these."""


class Build(Struct, dict=True):
    """One build, sound in itself: its segments are inside the address space and do not contradict.

    ``segments`` are in order of load address.  ``entry`` keeps the Thumb bit.  ``remarks`` are oddities
    that do not keep the build from being used.  ``source`` gives the bytes of an ELF file again, for what is
    read late.  ``missing`` says in words what this file cannot show,
    each text as ``aspect: reason``; :meth:`reason_for` finds one.  ``places`` are symbols of a build without a
    symbol table that are known all the same, by their plain spans; of several one is the right one.  ``gaps`` are
    where a text format may have lost a record.
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
    source: ByteSource | None = None
    remarks: tuple[Problem, ...] = ()
    missing: tuple[str, ...] = ()
    places: Mapping[str, tuple[Span, ...]] = field(default_factory=dict)
    gaps: tuple[RecordGap, ...] = ()

    @property
    def stored(self) -> tuple[Segment, ...]:
        """The segments that hold bytes, in order of load address."""
        return tuple(segment for segment in self.segments if segment.data)

    @property
    def stored_size(self) -> int:
        """Bytes it takes in the image (overlapping equal bytes counted once for each segment)."""
        return sum(len(segment.data) for segment in self.segments)

    @property
    def all_sections(self) -> tuple[Section, ...]:
        """The sections in the order of the file; none where it has no table of them."""
        return self.sections.all() if self.sections else ()

    @property
    def all_symbols(self) -> Iterable[Symbol]:
        """The symbols in the order of the file; none where it has no table of them."""
        return self.symbols.all() if self.symbols else ()

    def function_at(self, address: int) -> tuple[Symbol, int] | None:
        """The function that holds an address, and the offset into it; None for none, and without symbols."""
        return self.symbols.function_at(address) if self.symbols else None

    def reason_for(self, aspect: Aspect) -> str:
        """Why this build cannot show ``aspect``; empty if it can."""
        start = f"{aspect}: "
        return next((text[len(start) :] for text in self.missing if text.startswith(start)), "")

    def segment_at_run(self, address: int) -> Segment | None:
        """The segment that takes the memory at run address ``address``."""
        return next((each for each in self._near.at(address) if each.run_span.holds(address)), None)

    @cached_property
    def found_before(self) -> dict[tuple[object, int], list[int]]:
        """At which offsets of a segment, by its number, something is: several rules look for the same in all code."""
        return {}

    @cached_property
    def _near(self) -> Stretches[tuple[Segment, ...]]:
        """The segments that an address is in or at the end of, in order: a build can have thousands of both."""
        from gemel.span_index import Stretches

        taken = [
            (each.run_address, each.run_address + max(each.memory_size, len(each.data)), each)
            for each in self.segments
        ]
        return Stretches(
            (edge for start, end, _ in taken for edge in (start, end + 1)),
            lambda address, _: tuple(each for start, end, each in taken if start <= address <= end),
        )

    def load_address_of(self, run_address: int, size: int = 1) -> int | None:
        """Where the ``size`` bytes that are used at ``run_address`` are stored.

        None if they are not stored: outside every segment, or in cleared memory.
        """
        wanted = Span(run_address, size)
        for segment in self._near.at(run_address):
            if segment.stored_run.covers(wanted):
                return segment.load_address + run_address - segment.run_address
        return None

    def read_at_run(self, run_address: int, size: int) -> bytes | None:
        """The ``size`` bytes used at ``run_address`` as the file stores them; None if not stored."""
        for segment in self._near.at(run_address):
            start = run_address - segment.run_address
            if start >= 0 and start + size <= len(segment.data):
                return segment.data[start : start + size]
        return None
