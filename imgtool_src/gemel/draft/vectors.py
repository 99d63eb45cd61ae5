"""Where the vector table of a build is, and for how many interrupts it has words.

A table is known by its two first words: an initial stack pointer in RAM and a reset handler with the Thumb
bit inside the build's own code (Armv7-M Architecture Reference Manual, section B1.5.3, second-hand).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import islice

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.draft.pieces import power_of_two
from gemel.m_profile.architectures import MAX_INTERRUPTS
from gemel.m_profile.memory_map import RAM_REGIONS, region_of
from gemel.m_profile.vector_tables import FIRST_INTERRUPT, possible_tables
from gemel.spans import offsets_of
from gemel.structs import NamedTuple

ALIGNMENT = 128
"""Bytes; no vector table of an M-profile core starts between two multiples of it."""

MAX_RAM = 1 << 20
"""Bytes after the start of data in which a stack may end that is in RAM at addresses of code."""

HANDLERS = (1, 2, 3)
"""Words that are a handler in every table that a core can start with: Reset, NMI, HardFault."""

SYSTEM_WORDS = 16


class Vectors(NamedTuple):
    """A vector table as its build has it; ``sized`` says whether a symbol shows its size."""

    run_address: int
    load_address: int
    initial_stack: int
    reset: int
    words: tuple[int, ...]
    sized: bool

    @property
    def interrupts(self) -> int:
        """External interrupts that it has words for."""
        return max(0, min(len(self.words) - FIRST_INTERRUPT, MAX_INTERRUPTS))

    @property
    def alignment(self) -> int:
        """Bytes that the table's address must be a multiple of (Armv7-M, section B3.2.5, from memory)."""
        return power_of_two(4 * (SYSTEM_WORDS + self.interrupts), ALIGNMENT)


def find_vectors(build: Build) -> Vectors | None:
    """The build's vector table: that whose reset handler is the entry point, else the first; None if none.

    One that no core can use, since it starts between two multiples of ALIGNMENT or its reset handler lacks the Thumb
    bit, is taken where nothing that is sound begins with the entry point.
    """
    found = list(_candidates(build))
    entered = [each for each in found if _is_entry(build, _word(*each, 1))]
    entered = entered or list(islice(_unusable(build), 1)) or found[:1]
    if not entered:
        return None
    segment, address = entered[0]
    size = _size_by_symbol(build, address)
    words = _words(build, segment, address, size)
    load = segment.load_address + address - segment.run_address
    return Vectors(address, load, words[0], words[1], words, size is not None)


def _is_entry(build: Build, word: int) -> bool:
    return build.entry is not None and word | 1 == build.entry | 1


def _unusable(build: Build) -> Iterator[tuple[Segment, int]]:
    """Tables that no core can use: the entry point with handlers around it, or a named table."""
    for entry in (build.entry | 1, build.entry & ~1) if build.entry is not None else ():
        wanted = struct.pack("<I", entry)
        for segment in build.stored:
            places = (segment.run_address + at - 4 for at in offsets_of(wanted, segment.data, 4))
            yield from ((segment, at) for at in places if _reads_as_table(build, segment, at))
    for symbol in build.all_symbols:
        if symbol.kind == "object" and symbol.defined and symbol.size >= 4 * SYSTEM_WORDS:
            for segment in build.stored:
                if segment.run_span.holds(symbol.address) and _reads_as_table(build, segment, symbol.address):
                    yield segment, symbol.address


def _reads_as_table(build: Build, segment: Segment, address: int) -> bool:
    """Whether a stack pointer and all handlers that every core has stand at ``address``, a whole word."""
    offset = address - segment.run_address
    if address % 4 or offset < 0 or offset + 4 * SYSTEM_WORDS > len(segment.data):
        return False
    words = struct.unpack_from(f"<{SYSTEM_WORDS}I", segment.data, offset)
    stack_fits = words[0] and words[0] % 4 == 0 and _in_ram(build, words[0] - 4)
    handlers = [words[index] for index in HANDLERS]
    thumb = sum(word & 1 for word in handlers)  # where one lacks it, the rules shall say so of this table
    return bool(stack_fits) and thumb > 1 and all(in_code(build, word) for word in handlers)


def _candidates(build: Build) -> Iterator[tuple[Segment, int]]:
    for segment in build.stored:
        for address, stack, (reset,) in possible_tables(segment.data, segment.run_address):
            if stack and stack % 4 == 0 and _in_ram(build, stack - 4) and in_code(build, reset):
                yield segment, address


def _word(segment: Segment, address: int, index: int) -> int:
    (word,) = struct.unpack_from("<I", segment.data, address - segment.run_address + 4 * index)
    return int(word)


def in_code(build: Build, address: int) -> bool:
    """Whether the build stores executable bytes that run at ``address``, whose Thumb bit is ignored."""
    return any(segment.executable and segment.stored_run.holds(address & ~1) for segment in build.stored)


def _in_ram(build: Build, address: int) -> bool:
    """Whether RAM is there: by the memory map, or after the start of RAM elsewhere that the build uses."""
    if region_of(RAM_REGIONS, address):
        return True
    in_place = [each for each in build.stored if each.run_address == each.load_address]
    if any(each.stored_run.holds(address) for each in in_place):
        return False
    return any(
        0 <= address - segment.run_address < MAX_RAM
        for segment in build.segments
        if segment.run_span.size > len(segment.data) or segment.run_address != segment.load_address
    )


def _size_by_symbol(build: Build, address: int) -> int | None:
    """Words of the object that a symbol says starts at the table, or its interrupts after those of the system."""
    sizes = dict[int, int]()
    for symbol in build.all_symbols:
        if symbol.kind == "object" and symbol.defined:
            sizes[symbol.address] = max(sizes.get(symbol.address, 0), symbol.size // 4)
    whole, after = sizes.get(address, 0), sizes.get(address + 4 * FIRST_INTERRUPT, 0)
    words = struct.iter_unpack("<I", build.read_at_run(address + 4 * FIRST_INTERRUPT, 4 * after) or b"")
    handlers = [word for (word,) in words if word]
    if whole >= FIRST_INTERRUPT:
        return whole
    is_table = handlers and all(word & 1 and in_code(build, word) for word in handlers)
    return FIRST_INTERRUPT + after if is_table else None


def _words(build: Build, segment: Segment, address: int, size: int | None) -> tuple[int, ...]:
    """The table's words; without a known size up to the next symbol and the last word that is a handler."""
    offset = address - segment.run_address
    held = min((len(segment.data) - offset) // 4, FIRST_INTERRUPT + MAX_INTERRUPTS)
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
            if index >= FIRST_INTERRUPT:
                break
        elif word or index < FIRST_INTERRUPT:
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
