"""What one build tells of the device it was linked for."""

from __future__ import annotations

from functools import cached_property

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.draft.pieces import NEAR
from gemel.draft.vectors import RAM_REGIONS, Vectors, find_vectors
from gemel.layout.kinds import printable
from gemel.spans import Span, merge, without
from gemel.structs import Struct

DEVICE_REGIONS = (Span.from_bounds(0x4000_0000, 0x6000_0000), Span.from_bounds(0xA000_0000, 1 << 32))
"""Where the default memory map has registers (Armv7-M, table B3-1, from memory)."""


MAX_NAME_BYTES = 512
"""Bytes of a symbol's name that the layout language takes."""


class Evidence(Struct, dict=True):
    """One build and what is read off it.  All addresses are those that its own core uses."""

    build: Build

    @property
    def name(self) -> str:
        """The build's name, and its core's."""
        return self.build.name

    @property
    def file(self) -> str:
        """The name of its file, as a comment can hold it."""
        return printable(self.build.file)

    @cached_property
    def vectors(self) -> Vectors | None:
        """Its vector table."""
        return find_vectors(self.build)

    @cached_property
    def first(self) -> Segment:
        """The segment that decides where it runs: with the vector table, else the first executable one."""
        stored = self.build.stored
        if self.vectors:
            held = [it for it in stored if it.run_span.holds(self.vectors.run_address)]
            if held:
                return held[0]
        return next((segment for segment in stored if segment.executable), stored[0])

    @property
    def moved(self) -> bool:
        """Whether it runs elsewhere than it is stored: somebody copies it before its core starts."""
        return self.first.run_address != self.first.load_address or self.without_place

    @property
    def without_place(self) -> bool:
        """Whether it is linked for RAM without saying where in flash it is kept."""
        start = self.first.load_address
        return self.first.run_address == start and any(region.holds(start) for region in RAM_REGIONS)

    @cached_property
    def stored(self) -> list[Span]:
        """Where in flash its bytes are kept; none for a build without a place."""
        if self.without_place:
            return []
        return merge(segment.load_span for segment in self.build.stored)

    @cached_property
    def block(self) -> Span | None:
        """The RAM that a moved build is copied to, from its first byte to its last."""
        if not self.moved:
            return None
        moving = self._moving()
        start = min(segment.run_address for segment in moving)
        return Span.from_bounds(start, max(segment.run_address + len(segment.data) for segment in moving))

    def _moving(self) -> list[Segment]:
        """The segments that are copied as one block with the first: moved as far, and near to each other."""
        distance = self.first.run_address - self.first.load_address
        alike = [it for it in self.build.stored if it.run_address - it.load_address == distance]
        return next(stretch for stretch in _stretches(alike) if self.first in stretch)

    @cached_property
    def ram(self) -> list[Span]:
        """What it claims beside the block: cleared and initialised data, stack and heap as far as linked."""
        moving = self._moving() if self.moved else []
        claims: list[Span] = []
        for segment in self.build.segments:
            if not segment.data or (segment.run_address != segment.load_address and segment not in moving):
                claims.extend(segment.taken)
            elif segment.memory_size > len(segment.data):
                stored = Span(segment.run_address, len(segment.data))
                claims.extend(without(segment.taken, [stored]))
        return merge(claim for claim in claims if not _in(DEVICE_REGIONS, claim))

    @cached_property
    def devices(self) -> list[Span]:
        """Registers that it gives names to in segments of their own."""
        return merge(it.run_span for it in self.build.segments if _in(DEVICE_REGIONS, it.run_span))

    @property
    def initial_stack(self) -> int | None:
        """Its initial stack pointer: the first address behind its stack."""
        return self.vectors.initial_stack if self.vectors else None


def can_be_named(symbol: str) -> bool:
    """Whether a layout can hold a symbol's name."""
    return symbol.isprintable() and 0 < len(symbol.encode()) <= MAX_NAME_BYTES


def _stretches(segments: list[Segment]) -> list[list[Segment]]:
    """The segments by run address, apart where more than NEAR lies between."""
    stretches: list[list[Segment]] = []
    for segment in sorted(segments, key=lambda segment: segment.run_address):
        if stretches and segment.run_address - stretches[-1][-1].run_span.end <= NEAR:
            stretches[-1].append(segment)
        else:
            stretches.append([segment])
    return stretches


def _in(regions: tuple[Span, ...], span: Span) -> bool:
    return any(region.holds(span.start) for region in regions)
