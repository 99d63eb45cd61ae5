"""Which of several constants of one value code writes to a register of the device: that one releases a core.

The place that a build is copied to, and where its vector table is, are often the same address.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator

from gemel.builds.build import Build
from gemel.inspection.address_literals import holders_of
from gemel.inspection.core_settings import constant_word
from gemel.inspection.guarded_code import ANCHORED
from gemel.m_profile.known_stores import known_stores
from gemel.m_profile.memory_map import DEVICE_REGIONS, region_of
from gemel.spans import Span

WORD = 4

MARK = 0x7EAD_0001
"""Stands for the constant in its functions; a number that nothing else puts together."""


def written_to_registers(build: Build, constants: Iterable[int]) -> set[int]:
    """Those of the addresses of ``constants`` whose words a function that holds the address stores in a register."""
    return {each for each in constants if any(_writes(build, span, each) for span in _users(build, each))}


def _users(build: Build, constant: int) -> Iterator[Span]:
    """The functions that hold the address, or one below it from which compilers count."""
    seen = set()
    for segment in build.stored:
        if not segment.executable:
            continue
        first = -segment.run_address % WORD
        count = (len(segment.data) - first) // WORD
        words = struct.unpack_from(f"<{count}I", segment.data, first) if count > 0 else ()
        near = [first + WORD * at for at, word in enumerate(words) if 0 <= constant - word < ANCHORED]
        near += [each.offset for each in holders_of(constant, segment.data, segment.run_address)]
        for offset in near:
            known = build.symbols.function_at(segment.run_address + offset) if build.symbols else None
            if known and known[1] < known[0].size and known[0].span not in seen:
                seen.add(known[0].span)
                yield known[0].span


def _writes(build: Build, span: Span, constant: int) -> bool:
    def word_at(address: int) -> int | None:
        return MARK if address == constant else constant_word(build, address)

    return any(
        store.value == MARK and isinstance(store.target, int) and region_of(DEVICE_REGIONS, store.target)
        for store in known_stores(build.read_at_run(span.start, span.size) or b"", span.start, word_at)
    )
