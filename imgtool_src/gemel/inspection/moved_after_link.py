"""Builds whose addresses were changed after they were linked, so that their code leads to where they were before."""

from __future__ import annotations

import struct

from gemel.builds.build import Build
from gemel.m_profile.vector_tables import FIRST_INTERRUPT

HANDLERS = 3
"""Handlers that must lead to functions from where the build was linked for."""


def moved_after_link(build: Build) -> int:
    """Bytes by which symbols and sections are higher than the words of the vector table have them; 0 if they are not.

    The table has the entry point as it was after a stack pointer, and all its handlers are functions from there.
    """
    symbols = build.symbols
    if symbols is None or build.entry is None:
        return 0
    for segment in build.stored:
        data = segment.data[: len(segment.data) & ~3]
        words = struct.unpack(f"<{min(len(data) // 4, FIRST_INTERRUPT)}I", data[: 4 * FIRST_INTERRUPT])
        distance = (build.entry | 1) - words[1] if len(words) == FIRST_INTERRUPT else 0
        handlers = {word for word in words[1:] if word & 1}
        if distance % 16 == 0 and distance and len(handlers) >= HANDLERS:
            starts = [symbols.function_at(word + distance & 0xFFFF_FFFF) for word in handlers]
            if all(start and start[1] == 0 for start in starts):
                return distance
    return 0


def linked_elsewhere(build: Build | None) -> str:
    """What to do about such a build; empty where it is none."""
    distance = moved_after_link(build) if build else 0
    if not distance:
        return ""
    side = "higher" if distance > 0 else "lower"
    return (
        f"all addresses of {build.file if build else ''} are 0x{abs(distance):X} {side} than its code has them, as "
        "objcopy --change-addresses leaves them: link the build for its place instead"
    )
