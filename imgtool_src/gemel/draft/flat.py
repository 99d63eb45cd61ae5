"""Builds that show only where they are stored: where they run, by what their vector table points at.

A HEX file of code that is copied to RAM begins with a table whose handlers are in RAM.  How far they are from
the table's own place is not reported; blocks are copied whole, so the distance is taken for a multiple of 4 KiB,
the largest that leaves every handler after the table.
"""

from __future__ import annotations

import struct

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.draft.vectors import find_vectors
from gemel.m_profile.memory_map import RAM_REGIONS, region_of
from gemel.m_profile.vector_tables import FIRST_INTERRUPT, possible_tables
from gemel.spans import align_down
from gemel.structs import replace

UNIT = 4 << 10
HANDLERS = (1, 2, 3, 11, 14)
"""Words that are a handler in every profile: Reset, NMI, HardFault, SVCall, PendSV."""


def with_run_addresses(build: Build) -> Build:
    """``build`` with its run addresses guessed, if it shows none and its vectors point elsewhere."""
    if not build.reason_for("run addresses") or find_vectors(build) is not None:
        return build
    distances = [distance for segment in build.stored if (distance := _distance(build, segment)) is not None]
    if not distances:
        return build
    moved = tuple(replace(it, run_address=it.load_address + distances[0]) for it in build.segments)
    return replace(build, segments=moved)


def _distance(build: Build, segment: Segment) -> int | None:
    """From where the bytes are stored to where they run, by the first likely vector table of a segment."""
    last = segment.load_address + len(segment.data) - 4 * FIRST_INTERRUPT
    for address, stack, _ in possible_tables(segment.data, segment.load_address):
        if address > last:
            break
        words = struct.unpack_from(f"<{FIRST_INTERRUPT}I", segment.data, address - segment.load_address)
        handlers = [words[index] for index in HANDLERS if words[index] or index == 1]
        stack_fits = stack % 4 == 0 and _in_ram(stack)
        if not stack_fits or not all(word & 1 and _in_ram(word) for word in handlers):
            continue
        distance = align_down(min(handlers) - 4 * FIRST_INTERRUPT - address, UNIT)
        ends = [it.load_address + len(it.data) + distance for it in build.stored]
        if max(handlers) < max(ends):
            return distance
    return None


def _in_ram(address: int) -> bool:
    return region_of(RAM_REGIONS, address - 4) is not None
