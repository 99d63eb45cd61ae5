"""What a core sees: its memories and registers in the emulator's pages, and what is watched there.

A callback about a memory access must not stop or remap the emulator: a stop leaves the instruction half
done, a remapping ends the process (measured with unicorn 2.1.4).  Callbacks note what they see; between
slices it is acted on.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Protocol

from gemel.rehearsal.backing import Backing
from gemel.rehearsal.core_exceptions import RETURN_MAGIC
from gemel.rehearsal.core_mapping import device_pages, in_force, page_runs, partly_closed, slack_of
from gemel.rehearsal.plan import PAGE
from gemel.rehearsal.system_space import BASE, SIZE
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.rehearsal.emulated_core import EmulatedCore


class DeviceSide(Protocol):
    """What a core asks of the device around it."""

    def now(self, core: EmulatedCore) -> int:
        """The instruction count at the core's current instruction, as exactly as it is known."""

    def report(
        self, core: EmulatedCore, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str]
    ) -> None:
        """Something happened."""

    def read_register(self, core: EmulatedCore, address: int, size: int, pc: int) -> int:
        """A device register at a plain address."""

    def write_register(self, core: EmulatedCore, address: int, size: int, value: int, pc: int) -> None:
        """A device register at a plain address."""

    def reached(self, core: EmulatedCore, address: int) -> None:
        """An address that is a goal."""

    def touched_guarded(self, core: EmulatedCore, area: str, address: int, pc: int, write: bool) -> None:
        """An area that a lock guards."""


class CoreBus:
    """The memories and registers of one core, mapped into its emulator."""

    def __init__(self, core: EmulatedCore, backings: dict[str, Backing], device: DeviceSide) -> None:
        import unicorn

        self._unicorn: Any = unicorn
        self._core, self._backings, self._device = core, backings, device
        self._uc, self._plan = core.uc, core.plan
        self._hooks: list[int] = []
        self._mapped: list[Span] = []
        self._map_devices()
        self.map_memories(set())
        self._watch()

    def locate(self, address: int) -> tuple[Backing, int] | None:
        """The memory and offset at an address of this core."""
        for window in self._plan.windows:
            if window.start <= address < window.start + window.size:
                return self._backings[window.memory], address - window.start
        return None

    def read_bytes(self, address: int, size: int) -> bytes:
        """Bytes of memory; fewer where the memory ends, none outside memories."""
        located = self.locate(address)
        return located[0].read(located[1], size) if located else b""

    def read_code(self, address: int, size: int) -> bytes:
        """As ``read_bytes``."""
        return self.read_bytes(address, size)

    def read_word(self, address: int) -> int | None:
        """A word of memory; None outside memories."""
        data = self.read_bytes(address, 4)
        return int.from_bytes(data, "little") if len(data) == 4 else None

    def is_erased(self, address: int) -> bool:
        """Whether there are two words of erased flash, or of RAM that nobody wrote."""
        located = self.locate(address)
        if located is None:
            return False
        fill = located[0].plan.fill
        return self.read_bytes(address, 8) == fill * (8 // len(fill))

    def write_stack(self, address: int, data: bytes) -> bool:
        """Write an exception frame; False where the core has no RAM."""
        located = self.locate(address)
        if (
            located is None
            or located[0].plan.kind != "ram"
            or len(self.read_bytes(address, len(data))) < len(data)
        ):
            return False
        self._uc.mem_write(address, data)
        if located[0].written is not None:
            located[0].written[located[1] : located[1] + len(data)] = b"\x01" * len(data)
        return True

    def map_memories(self, released: set[str]) -> None:
        """Map with the rights that count once the cores ``released`` run; not from a callback."""
        u = self._unicorn
        for span in self._mapped:
            self._uc.mem_unmap(span.start, span.size)
        self._mapped = []
        ram = {name for name, backing in self._backings.items() if backing.plan.kind == "ram"}
        for run in page_runs(self._plan, ram, released):
            rights = u.UC_PROT_READ
            rights |= u.UC_PROT_WRITE if run.writable else 0
            rights |= u.UC_PROT_EXEC if run.executable else 0
            address = self._backings[run.memory].address + run.offset
            self._uc.mem_map_ptr(run.span.start, run.span.size, rights, address)
            self._mapped.append(run.span)
        for hook in self._hooks:
            self._uc.hook_del(hook)
        self._hooks = []
        for span, closed in partly_closed(self._plan, released):
            self._hook_range(u.UC_HOOK_MEM_WRITE, span, self._closed_write, (closed.what, closed.party))
        for window in self._plan.windows:
            for span in slack_of(window):
                self._hook_range(u.UC_HOOK_MEM_READ | u.UC_HOOK_MEM_WRITE, span, self._slack, None)
        self._shut = in_force(self._plan.closed, released)

    def _hook_range(self, kinds: int, span: Span, callback: Callable[..., Any], data: object) -> None:
        self._hooks.append(
            self._uc.hook_add(kinds, callback, user_data=data, begin=span.start, end=span.last)
        )

    def _map_devices(self) -> None:
        for pages in device_pages(self._plan):
            self._uc.mmio_map(
                pages.start, pages.size, self._device_read, pages.start, self._device_write, pages.start
            )
        self._uc.mmio_map(BASE, SIZE, self._system_read, None, self._system_write, None)

    def _watch(self) -> None:
        u = self._unicorn
        self._uc.hook_add(u.UC_HOOK_MEM_INVALID, self._invalid)
        limit = self._plan.stack_limit
        if limit is not None:
            self._uc.hook_add(
                u.UC_HOOK_MEM_WRITE, self._near_stack_limit, begin=max(0, limit - PAGE), end=limit - 1
            )
        both = u.UC_HOOK_MEM_READ | u.UC_HOOK_MEM_WRITE
        for span, area in self._plan.guarded:
            self._uc.hook_add(both, self._guarded, user_data=area, begin=span.start, end=span.last)

    def _invalid(self, uc: Any, access: int, address: int, size: int, value: int, data: object) -> bool:
        u = self._unicorn
        pc = self._core.registers.pc & ~1
        if access in (u.UC_MEM_FETCH_UNMAPPED, u.UC_MEM_FETCH_PROT):
            if not (self._core.active and address >= RETURN_MAGIC & ~1):
                self._core.fault("fetch-outside-code", pc, {"address": address})
            return False
        if access == u.UC_MEM_WRITE_PROT:
            for closed in self._shut:
                if closed.span.holds(address):
                    self._closed_write(uc, access, address, size, value, (closed.what, closed.party))
                    return True
            self._core.fault("write-to-flash", pc, {"address": address, "size": size})
            return False
        kind = "unmapped-write" if access == u.UC_MEM_WRITE_UNMAPPED else "unmapped-read"
        self._core.fault(kind, pc, {"address": address, "size": size})
        return False

    def _closed_write(
        self, uc: Any, access: int, address: int, size: int, value: int, data: tuple[str, str]
    ) -> None:
        numbers = {"address": address, "size": size, "value": value & 0xFFFF_FFFF}
        self._core.report(data[0], self._core.registers.pc & ~1, numbers, {"party": data[1]})

    def _slack(self, uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        write = access == self._unicorn.UC_MEM_WRITE
        kind = "unmapped-write" if write else "unmapped-read"
        self._core.fault(kind, self._core.registers.pc & ~1, {"address": address, "size": size})
        uc.emu_stop()

    def _near_stack_limit(
        self, uc: Any, access: int, address: int, size: int, value: int, data: object
    ) -> None:
        limit, stack = self._plan.stack_limit or 0, self._core.registers.stack
        if stack < limit and stack <= address:
            self._core.report(
                "below-stack-limit",
                self._core.registers.pc & ~1,
                {"address": address, "limit": limit, "stack": stack},
            )

    def _guarded(self, uc: Any, access: int, address: int, size: int, value: int, area: str) -> None:
        write = access == self._unicorn.UC_MEM_WRITE
        self._device.touched_guarded(self._core, area, address, self._core.registers.pc & ~1, write)

    def _plain(self, address: int) -> int | None:
        for span, plain in self._plan.devices:
            if span.holds(address):
                return plain + address - span.start
        return None

    def _device_read(self, uc: Any, offset: int, size: int, start: int) -> int:
        pc, plain = self._core.registers.pc & ~1, self._plain(start + offset)
        if plain is None:
            self._core.fault("unmapped-read", pc, {"address": start + offset, "size": size})
            uc.emu_stop()
            return 0
        return self._device.read_register(self._core, plain, size, pc)

    def _device_write(self, uc: Any, offset: int, size: int, value: int, start: int) -> None:
        pc, plain = self._core.registers.pc & ~1, self._plain(start + offset)
        if plain is None:
            self._core.fault("unmapped-write", pc, {"address": start + offset, "size": size})
            uc.emu_stop()
            return
        self._device.write_register(self._core, plain, size, value, pc)

    def _system_read(self, uc: Any, offset: int, size: int, data: object) -> int:
        self._core.accesses_in_slice += 1
        return self._core.system.read(offset, size)

    def _system_write(self, uc: Any, offset: int, size: int, value: int, data: object) -> None:
        self._core.system.write(offset, size, value)
