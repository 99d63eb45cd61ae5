"""What one build shows of the device it was linked for."""

from __future__ import annotations

from functools import cached_property
from itertools import pairwise

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.draft.pieces import NEAR
from gemel.draft.vectors import Vectors, find_vectors
from gemel.files.contents import ELF_START
from gemel.m_profile.memory_map import DEVICE_REGIONS, RAM_REGIONS, SRAM, SYSTEM, region_of
from gemel.spans import Span, merge, without
from gemel.structs import NamedTuple, Struct
from gemel.text.escaping import in_toml

MAX_NAME_BYTES = 512
"""Bytes of a symbol's name that the layout language takes."""


GAP = 64
"""Bytes between sections of one memory that alignment makes."""

REGISTERS = 4096
"""Bytes of a device's registers; of more, external RAM may be there (common practice)."""


class HeldElsewhere(NamedTuple):
    """Where another build (``holder``) holds the bytes of one that names no place in flash of its own."""

    holder: str
    span: Span


class Evidence(Struct, dict=True):
    """One build and what is read off it.  All addresses are those that its own core uses.

    ``kept`` says where another build holds a copy of what this one runs.
    """

    build: Build
    kept: HeldElsewhere | None = None

    @property
    def name(self) -> str:
        """The build's name, and its core's."""
        return self.build.name

    @property
    def file(self) -> str:
        """The name of its file, as a comment can hold it."""
        return in_toml(self.build.file)

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
        """Whether it is linked for RAM without saying where in flash it is kept.

        Beyond the SRAM region there may be external flash; it is RAM where the stack is next to the code.  Below it
        is flash, or RAM that runs code: that, where the stack and stored variables are next to the code.
        """
        start = self.first.load_address
        if self.first.run_address != start:
            return False
        if SRAM.holds(start):
            return True
        top = self.initial_stack or 0
        if start < SRAM.start:
            return 0 < top - start <= NEAR and any(
                it.writable and it.run_address == it.load_address for it in self.build.stored
            )
        return any(region.holds(start) and region.holds(top - 1) for region in RAM_REGIONS[1:])

    @cached_property
    def lost(self) -> frozenset[int]:
        """Numbers of segments that store bytes where they run and where no flash is: RAM that a linker gave bytes to.

        Zero bytes of a writable segment count wherever they are, as linkers store them for a cleared
        section, a heap or a stack that no NOLOAD names; not so after the code with nothing of RAM near, as settings.
        """
        stored = self.build.stored
        return frozenset(
            it.index for it in stored if it is not self.first and _is_lost(it) and not self._is_kept(it)
        )

    def _is_kept(self, segment: Segment) -> bool:
        """Whether a segment of zero bytes is in flash with the code: after it, and the build uses no RAM near there."""
        start, top = segment.run_address, self.initial_stack or 0
        unstored = [
            it.run_address for it in self.build.segments if it.load_address != it.run_address or not it.data
        ]
        return (
            not SRAM.holds(start)
            and 0 <= start - self.first.load_address <= NEAR
            and not any(abs(start - at) <= NEAR for at in (*unstored, top))
        )

    @cached_property
    def stored(self) -> list[Span]:
        """Where in flash its bytes are kept; none for a build without a place."""
        if self.kept:
            return [self.kept.span]
        if self.without_place:
            return []
        return merge(segment.load_span for segment in self.build.stored if segment.index not in self.lost)

    @cached_property
    def block(self) -> Span | None:
        """The RAM that a moved build is copied to, from its first byte to its last.

        That is what it stores one after the other, initial values of data included.
        """
        if not self.moved:
            return None
        moving = self.with_first()
        start = min(segment.run_address for segment in moving)
        end = max(segment.run_address + len(segment.data) for segment in moving)
        distance = 0 if self.without_place else self.first.run_address - self.first.load_address
        stored = (it for it in self.build.stored if it not in moving and it.run_address != it.load_address)
        for segment in sorted(stored, key=lambda it: it.load_address):
            if 0 <= segment.load_address + distance - end < GAP:
                end = segment.load_span.end + distance
        return Span.from_bounds(start, end)

    def with_first(self) -> list[Segment]:
        """The segments that are one block with the first: stored, or copied, as far from where they run, and near."""
        distance = self.first.run_address - self.first.load_address
        moved = [it for it in self.build.stored if it.run_address - it.load_address == distance]
        alike = [it for it in moved if it.index not in self.lost or _is_content(it)]
        return next(stretch for stretch in _stretches(alike) if self.first in stretch)

    @cached_property
    def ram(self) -> list[Span]:
        """What it claims besides the block: cleared and initialised data, stack and heap as far as linked."""
        moving = {segment.index for segment in self.with_first()} if self.moved else set()
        claims: list[Span] = []
        for segment in self.build.segments:
            if (
                not segment.data
                or (segment.run_address != segment.load_address and segment.index not in moving)
                or (segment.index in self.lost and segment.index not in moving)
            ):
                claims.extend(segment.taken)
            elif segment.memory_size > len(segment.data):
                stored = segment.stored_run
                claims.extend(without(segment.taken, [stored]))
        holes = self._holes
        return merge(
            claim
            for claim in claims
            if not self._has_devices(claim.start) and not any(hole.covers(claim) for hole in holes)
        )

    @property
    def _holes(self) -> list[Span]:
        """What is no wider than alignment between bytes stored in flash: a section without bytes there is no RAM."""
        return [
            Span.from_bounds(before.end, after.start)
            for before, after in pairwise(self.stored)
            if after.start - before.end <= GAP
        ]

    def _has_devices(self, address: int) -> bool:
        """Whether it is where the memory map has devices, and not near external RAM: more than registers take."""
        return region_of(DEVICE_REGIONS, address) is not None and not any(
            it.memory_size > REGISTERS
            and DEVICE_REGIONS[1].holds(it.run_address)
            and not SYSTEM.holds(it.run_address)
            and abs(it.run_address - address) <= NEAR
            for it in self.build.segments
        )

    @cached_property
    def devices(self) -> list[Span]:
        """Registers that it gives names to in segments of their own."""
        return merge(
            it.run_span
            for it in self.build.segments
            if self._has_devices(it.run_address) and not SYSTEM.holds(it.run_address)
        )

    @property
    def edges(self) -> tuple[int, ...]:
        """Addresses at which a memory ends, whatever is after it."""
        return ()

    def hides(self, address: int) -> bool:
        """Whether other builds have something else at this address."""
        return False

    @property
    def initial_stack(self) -> int | None:
        """Its initial stack pointer: the first address after its stack."""
        return self.vectors.initial_stack if self.vectors else None


def _is_content(segment: Segment) -> bool:
    """Whether a segment holds anything of the program: not zero bytes alone, nor the ELF file's own headers."""
    return any(segment.data) and not segment.data.startswith(ELF_START)


def _is_lost(segment: Segment) -> bool:
    if segment.run_address != segment.load_address:
        return False
    return SRAM.holds(segment.load_address) or (
        segment.writable and not segment.executable and not any(segment.data)
    )


def can_be_named(symbol: str) -> bool:
    """Whether a layout can hold a symbol's name."""
    return symbol.isprintable() and 0 < len(symbol.encode()) <= MAX_NAME_BYTES


def _stretches(segments: list[Segment]) -> list[list[Segment]]:
    """The segments by run address, apart where more than NEAR is between."""
    stretches: list[list[Segment]] = []
    for segment in sorted(segments, key=lambda segment: segment.run_address):
        if stretches and segment.run_address - stretches[-1][-1].run_span.end <= NEAR:
            stretches[-1].append(segment)
        else:
            stretches.append([segment])
    return stretches
