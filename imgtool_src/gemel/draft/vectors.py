"""Where the vector table of a build is, and for how many interrupts it has words.

A table is known by its two first words: an initial stack pointer in RAM and a reset handler with the Thumb
bit inside the build's own code (Armv7-M Architecture Reference Manual, section B1.5.3, second-hand).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.spans import Span, align_up
from gemel.structs import NamedTuple

ALIGNMENT = 128
"""Bytes; no vector table of an M-profile core starts between two multiples of it."""

MAX_INTERRUPTS = 496
SYSTEM_WORDS = 16
RAM_REGIONS = (Span.from_bounds(0x2000_0000, 0x4000_0000), Span.from_bounds(0x6000_0000, 0xA000_0000))
"""Where the default memory map of M-profile cores has RAM (Armv7-M, table B3-1, from memory)."""


class Vectors(NamedTuple):
    """A vector table as its build has it; ``sized`` says whether a symbol told its size."""

    run_address: int
    load_address: int
    initial_stack: int
    reset: int
    words: tuple[int, ...]
    sized: bool

    @property
    def interrupts(self) -> int:
        """External interrupts that it has words for."""
        return max(0, min(len(self.words) - SYSTEM_WORDS, MAX_INTERRUPTS))


def find_vectors(build: Build) -> Vectors | None:
    """The build's vector table: that whose reset handler is the entry point, else the first; None if none."""
    found = list(_candidates(build))
    if not found:
        return None
    segment, address = next(
        (each for each in found if build.entry is not None and _word(*each, 1) | 1 == build.entry | 1),
        found[0],
    )
    size = _size_by_symbol(build, address)
    words = _words(build, segment, address, size)
    load = segment.load_address + address - segment.run_address
    return Vectors(address, load, words[0], words[1], words, size is not None)


def _candidates(build: Build) -> Iterator[tuple[Segment, int]]:
    for segment in build.stored:
        last = segment.run_address + len(segment.data) - 4 * 2
        for address in range(align_up(segment.run_address, ALIGNMENT), last + 1, ALIGNMENT):
            stack, reset = (_word(segment, address, index) for index in (0, 1))
            stack_fits = stack and stack % 4 == 0 and _in_ram(build, stack - 4)
            if stack_fits and reset & 1 and in_code(build, reset):
                yield segment, address


def _word(segment: Segment, address: int, index: int) -> int:
    (word,) = struct.unpack_from("<I", segment.data, address - segment.run_address + 4 * index)
    return int(word)


def in_code(build: Build, address: int) -> bool:
    """Whether the build stores executable bytes that run at ``address``, whose Thumb bit is ignored."""
    return any(
        segment.executable and Span(segment.run_address, len(segment.data)).holds(address & ~1)
        for segment in build.stored
    )


def _in_ram(build: Build, address: int) -> bool:
    if any(region.holds(address) for region in RAM_REGIONS):
        return True
    return any(
        segment.run_span.holds(address)
        for segment in build.segments
        if not segment.data or segment.run_address != segment.load_address
    )


def _size_by_symbol(build: Build, address: int) -> int | None:
    """Words of the object that a symbol says starts at the table, if it has room for the system's words."""
    if build.symbols is None:
        return None
    sizes = [
        symbol.size // 4
        for symbol in build.symbols.all()
        if symbol.kind == "object" and symbol.defined and symbol.address == address
    ]
    return max((size for size in sizes if size >= SYSTEM_WORDS), default=None)


def _words(build: Build, segment: Segment, address: int, size: int | None) -> tuple[int, ...]:
    """The table's words; without a known size up to the next symbol and the last word that is a handler."""
    offset = address - segment.run_address
    held = min((len(segment.data) - offset) // 4, SYSTEM_WORDS + MAX_INTERRUPTS)
    limit = size if size is not None else (_next_symbol(build, address) - address) // 4
    count = min(held, limit)
    words = struct.unpack_from(f"<{count}I", segment.data, offset) if count >= 2 else ()
    if len(words) < 2:
        return struct.unpack_from("<2I", segment.data, offset)
    if size is not None:
        return words
    end = 2
    for index, word in enumerate(words[2:], 2):
        if word and not (word & 1 and in_code(build, word)):
            if index >= SYSTEM_WORDS:
                break
        elif word or index < SYSTEM_WORDS:
            end = index + 1
    return words[:end]


def _next_symbol(build: Build, address: int) -> int:
    if build.symbols is None:
        return 1 << 32
    return min(
        (
            symbol.address
            for symbol in build.symbols.all()
            if symbol.defined
            and not symbol.mapping
            and not symbol.absolute
            and symbol.kind in ("function", "object", "notype")
            and symbol.address > address
        ),
        default=1 << 32,
    )
