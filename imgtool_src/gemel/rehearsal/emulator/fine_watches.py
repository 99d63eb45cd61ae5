"""Watches on every access to RAM: requested by name, since each access then comes to Python."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from gemel.m_profile.architectures import BASELINES
from gemel.m_profile.halfwords import instructions
from gemel.rehearsal.emulator.core.instruction_needs import loads_double, searches_zero

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.backing import Backing
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

WATCHES = {
    "reads": "reads of RAM that nobody wrote",
    "alignment": "unaligned accesses of a core that cannot make them",
}
"""The watches by name."""

SEARCHED = 24
"""Bytes of code after a load in which a word is searched for a zero byte."""


def install(
    cores: Mapping[str, EmulatedCore], memories: Mapping[str, Backing], names: tuple[str, ...]
) -> None:
    """Install the watches of these names on every core."""
    if "reads" in names:
        for memory in memories.values():
            if memory.plan.kind == "ram":
                memory.written = bytearray(memory.plan.size)
    for core in cores.values():
        if "reads" in names:
            _watch_reads(core, memories)
        if "alignment" in names and core.plan.architecture in BASELINES:  # their unaligned accesses fault
            _watch_alignment(core)


def _watch_reads(core: EmulatedCore, memories: Mapping[str, Backing]) -> None:
    import unicorn

    for window in core.plan.windows:
        written = memories[window.memory].written
        if written is None:
            continue

        def on_write(
            uc: Any, access: int, address: int, size: int, value: int, data: tuple[int, bytearray]
        ) -> None:
            offset = address - data[0]
            data[1][offset : offset + size] = b"\x01" * size

        def on_read(
            uc: Any, access: int, address: int, size: int, value: int, data: tuple[int, bytearray]
        ) -> None:
            offset = address - data[0]
            if 0 in data[1][offset : offset + size] and not _reads_beyond(core, data[1], offset, size):
                numbers = {"address": address, "size": size}
                core.report("read-of-unwritten", core.registers.pc & ~1, numbers)

        where = (window.start, written)
        core.native.at_accesses(unicorn.UC_HOOK_MEM_WRITE, on_write, where, window.span)
        core.native.at_accesses(unicorn.UC_HOOK_MEM_READ, on_read, where, window.span)


def _reads_beyond(core: EmulatedCore, written: bytearray, offset: int, size: int) -> bool:
    """Whether an aligned read is of something written and of what is next to it, as functions for text do.

    A text begins and ends anywhere in an aligned word, or doubleword: the bytes besides are not used.
    """
    start = offset & -size
    if offset != start:
        return False
    if size == 4 and reads_doublewords(core.bus.read_bytes(core.registers.pc & ~1, SEARCHED)):
        start, size = offset & -8, 8
    return any(written[start : start + size])


def reads_doublewords(code: bytes) -> bool:
    """Whether ``code`` begins with LDRD, or with LDR of one of two words that are searched for a text's end."""
    (_, first, second), *after = instructions(code)
    return loads_double(first, second) or any(searches_zero(*each) for _, *each in after)


def _watch_alignment(core: EmulatedCore) -> None:
    import unicorn

    def on_access(uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        if address % size:
            core.report("unaligned", core.registers.pc & ~1, {"address": address, "size": size})

    core.native.at_accesses(unicorn.UC_HOOK_MEM_READ | unicorn.UC_HOOK_MEM_WRITE, on_access)
