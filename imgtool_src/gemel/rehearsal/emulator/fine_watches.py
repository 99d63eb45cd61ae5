"""Watches on every access to RAM: requested by name, since each access then comes to Python."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device

WATCHES = {
    "reads": "reads of RAM that nobody wrote",
    "alignment": "unaligned accesses of a core that cannot make them",
}
"""The watches by name."""

ALIGNED_ONLY = ("armv6-m", "armv8-m.base")
"""Architectures whose unaligned accesses fault."""


class FineWatches:
    """Installs the watches requested on every core."""

    def __init__(self, device: Device, names: tuple[str, ...]) -> None:
        self._device = device
        if "reads" in names:
            for memory in device.memories.values():
                if memory.plan.kind == "ram":
                    memory.written = bytearray(memory.plan.size)
        for core in device.cores.values():
            if "reads" in names:
                self._watch_reads(core)
            if "alignment" in names and core.plan.architecture in ALIGNED_ONLY:
                self._watch_alignment(core)

    def _watch_reads(self, core: EmulatedCore) -> None:
        import unicorn

        for window in core.plan.windows:
            memory = self._device.memories[window.memory]
            written = memory.written
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
                if 0 in data[1][offset : offset + size]:
                    numbers = {"address": address, "size": size}
                    core.report("read-of-unwritten", core.registers.pc & ~1, numbers)

            where = (window.start, written)
            core.bus.watch(unicorn.UC_HOOK_MEM_WRITE, on_write, where, window.span)
            core.bus.watch(unicorn.UC_HOOK_MEM_READ, on_read, where, window.span)

    def _watch_alignment(self, core: EmulatedCore) -> None:
        import unicorn

        def on_access(uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
            if address % size:
                core.report("unaligned", core.registers.pc & ~1, {"address": address, "size": size})

        core.bus.watch(unicorn.UC_HOOK_MEM_READ | unicorn.UC_HOOK_MEM_WRITE, on_access)
