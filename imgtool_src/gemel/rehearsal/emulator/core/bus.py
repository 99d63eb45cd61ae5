"""What a core sees: its memories and registers in the emulator's pages, and what is watched there.

A callback about a memory access must not stop or remap the emulator: a stop leaves the instruction half
done, a remapping ends the process (measured with unicorn 2.1.4).  Callbacks note what they see; the core acts
on it after the instruction.  Each takes back what the emulator does to the if-then state (``Native.at_accesses``).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from gemel.m_profile.instructions.memory_accesses import SP, memory_access
from gemel.rehearsal.emulator.core.backing import (
    Backing,
    device_pages,
    in_force,
    page_runs,
    partly_closed,
    slack_of,
    stack_guard,
)
from gemel.rehearsal.emulator.core.device_accesses import BitBandWords, RegisterPorts, SplitLook, alias_pages
from gemel.rehearsal.emulator.core.exception_frames import RETURN_MAGIC
from gemel.rehearsal.emulator.system_space.registers import (
    BASE,
    SIZE,
    SOFTWARE_TRIGGER,
    USER_TRIGGERS,
)
from gemel.spans import Span, without

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device
    from gemel.rehearsal.emulator.registers.register_port import RegisterPort


WATCHED_BELOW = 4096
"""Bytes below a stack's limit of which writes are looked at."""

MAX_PUSHED = 128
"""Bytes that one instruction pushes at most; the stack pointer follows after it."""


class CoreBus:
    """The memories and registers of one core, mapped into its emulator."""

    def __init__(self, core: EmulatedCore, backings: dict[str, Backing], device: Device) -> None:
        import unicorn

        self._unicorn: Any = unicorn
        self._core, self._backings, self._device = core, backings, device
        self._uc, self._plan = core.native.uc, core.plan
        self._invalid_hooks: list[int] = []
        self._hooks: list[int] = []
        self._released: set[str] = set()
        self._mapped: list[Span] = []
        self._stack_guard = stack_guard(core.plan)
        self._bit_watches: list[tuple[Callable[..., Any], object, Span]] = []
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

    def was_loaded(self, address: int) -> bool:
        """Whether somebody wrote to an address of RAM what may be an instruction: neither the fill nor zeros."""
        located, data = self.locate(address), self.read_bytes(address, 4)
        if located is None or not any(data):
            return False
        memory, offset = located
        return memory.touched(offset, len(data)) > 0

    def write_stack(self, address: int, data: bytes) -> bool:
        """Write an exception frame; False where the core has no RAM."""
        located = self.locate(address)
        if (
            located is None
            or located[0].plan.kind != "ram"
            or len(self.read_bytes(address, len(data))) < len(data)
        ):
            return False
        for guard in self._stack_guard:
            if guard.holds(address):
                self.watch_stack_limit()
        for closed in self._shut:
            if closed.span.holds(address):
                numbers = {"address": address, "size": len(data), "value": int.from_bytes(data[:4], "little")}
                numbers |= self._core.stack_watch.in_use()
                self._report_closed(self._core.pc, numbers, (closed.what, closed.party))
        located[0].write(located[1], data)
        if located[0].written is not None:
            located[0].written[located[1] : located[1] + len(data)] = b"\x01" * len(data)
        return True

    def write_byte(self, address: int, value: int) -> None:
        """Write a byte of RAM, as a store of the core."""
        located = self.locate(address)
        for closed in self._shut:
            if closed.span.holds(address):
                self._closed_write(None, 0, address, 1, value, (closed.what, closed.party))
        if located:
            located[0].write(located[1], bytes((value,)))
            if located[0].written is not None:
                located[0].written[located[1]] = 1

    def port_at(self, address: int) -> RegisterPort | None:
        """The device register whose word is at an address of this core; None where there is none."""
        for span, plain in self._plan.devices:
            if span.start - 3 <= address < span.end:
                return self._device.port(self._core, plain + address - span.start & ~3)
        return None

    def map_memories(self, released: set[str]) -> None:
        """Map with the permissions that count once the cores ``released`` run; not from a callback.

        Where everything is allowed no access can be invalid; the library is quick only where nobody waits for one.
        """
        self._released = released
        u = self._unicorn
        for span in self._mapped:
            self._core.native.unmap(span)
        self._mapped = []
        always_open = []
        ram = {name for name, backing in self._backings.items() if backing.plan.kind == "ram"}
        for run in page_runs(self._plan, ram, released, self._stack_guard):
            permissions = u.UC_PROT_READ
            permissions |= u.UC_PROT_WRITE if run.writable else 0
            permissions |= u.UC_PROT_EXEC if run.executable else 0
            address = self._backings[run.memory].address + run.offset
            self._uc.mem_map_ptr(run.span.start, run.span.size, permissions, address)
            self._mapped.append(run.span)
            if run.writable and run.executable:
                always_open.append(run.span)
        for hook in self._invalid_hooks:
            self._uc.hook_del(hook)
        for hook in self._hooks:
            self._core.native.unhook(hook)
        self._invalid_hooks, self._hooks = [], []
        for span in without([Span(0, 1 << 32)], always_open):
            self._invalid_hooks.append(
                self._uc.hook_add(u.UC_HOOK_MEM_INVALID, self._invalid, begin=span.start, end=span.last)
            )
        for span, closed in partly_closed(self._plan, released):
            self._hook_range(u.UC_HOOK_MEM_WRITE, span, self._closed_write, (closed.what, closed.party))
        for window in self._plan.windows:
            for span in slack_of(window):
                self._hook_range(u.UC_HOOK_MEM_READ | u.UC_HOOK_MEM_WRITE, span, self._slack, None)
        limit = self._plan.stack_limit
        if limit and not self._stack_guard:
            below = Span.from_bounds(max(0, limit - WATCHED_BELOW), limit)
            self._hook_range(u.UC_HOOK_MEM_WRITE, below, self._near_stack_limit, None)
        self._shut = in_force(self._plan.closed, released)

    def watch_memory(self, callback: Callable[..., Any], data: object, span: Span) -> None:
        """As ``Native.at_accesses``, for reads and writes of ``span``, also by the words that are its bits."""
        kinds = self._unicorn.UC_HOOK_MEM_READ | self._unicorn.UC_HOOK_MEM_WRITE
        self._core.native.at_accesses(kinds, callback, data, span)
        self._bit_watches.append((callback, data, span))

    def _hook_range(self, kinds: int, span: Span, callback: Callable[..., Any], data: object) -> None:
        self._hooks.append(self._core.native.at_accesses(kinds, callback, data, span))

    def _map_devices(self) -> None:
        for pages in device_pages(self._plan):
            ports = RegisterPorts(self._core, self, pages)
            self._core.native.map_registers(pages.start, pages.size, ports.read, ports.write)
        ram = [each.span for each in self._plan.windows if self._backings[each.memory].plan.kind == "ram"]
        for pages in alias_pages(self._plan, ram):
            words = BitBandWords(self._core, self, pages)
            self._core.native.map_registers(pages.start, pages.size, words.read, words.write)
        self._split = SplitLook(self._core)
        self._core.native.map_registers(BASE, SIZE, self._system_read, self._system_write)

    def _watch(self) -> None:
        for span, area in self._plan.guarded:
            self.watch_memory(self._guarded, area, span)

    @property
    def stale(self) -> bool:
        """Whether the stack may now pass its guard page unseen: ``watch_stack_limit`` must follow."""
        return bool(self._stack_guard) and self._core.blocks.lowers_stack_far

    def begin_stack(self, top: int) -> None:
        """The main stack begins at ``top``; one that is smaller than its guard page is watched from the start."""
        if any(guard.end > top for guard in self._stack_guard):
            self.watch_stack_limit()

    def watch_stack_limit(self) -> None:
        """From now on look at every write near the limit, which makes all accesses slower; not from a callback."""
        self._stack_guard = []
        self.map_memories(self._released)
        self._core.look_again()

    def trap_unaligned(self) -> None:
        """From now on every unaligned access faults; not from a callback."""
        u = self._unicorn

        def look(uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
            if self._core.faults.trapped(address, size):
                if access == u.UC_MEM_WRITE:
                    self._core.faults.undo_write(address, size)
                self._core.note_fault("alignment-fault", {"address": address, "size": size})

        self._core.native.at_accesses(u.UC_HOOK_MEM_READ | u.UC_HOOK_MEM_WRITE, look)

    def _invalid(self, uc: Any, access: int, address: int, size: int, value: int, data: object) -> bool:
        u, core = self._unicorn, self._core
        numbers = {"address": address, "size": size}
        if access in (u.UC_MEM_FETCH_UNMAPPED, u.UC_MEM_FETCH_PROT):
            if not (core.interrupts.handler and address >= RETURN_MAGIC & ~1):
                core.note_fault("fetch-unmapped", {"address": address})
            return False
        if access == u.UC_MEM_WRITE_PROT:
            for closed in self._shut:
                if closed.span.holds(address):
                    self._closed_write(uc, access, address, size, value, (closed.what, closed.party))
                    core.native.clear_if_then()
                    return True
            if any(guard.holds(address) for guard in self._stack_guard):
                core.faults.after_run.append(self.watch_stack_limit)
                core.stop_soon()
                core.native.clear_if_then()
                return True
            located = self.locate(address)
            data = (value & (1 << 8 * size) - 1).to_bytes(size, "little")
            if located and self._device.programs_flash(core, located[0], address, data):
                core.native.clear_if_then()
                return True
            if located:
                core.note_fault("write-to-flash", numbers | self._device.why_not_programmed(located[0]))
            else:
                core.note_fault("unmapped-write", numbers)
            return False
        core.note_fault("unmapped-write" if access == u.UC_MEM_WRITE_UNMAPPED else "unmapped-read", numbers)
        return False

    def _closed_write(
        self, uc: Any, access: int, address: int, size: int, value: int, data: tuple[str, str]
    ) -> None:
        numbers = {"address": address, "size": size, "value": value & 0xFFFF_FFFF}
        at = self._core.registers.pc & ~1
        if -MAX_PUSHED <= address - self._core.registers.stack < WATCHED_BELOW:
            numbers |= self._core.stack_watch.accessed(at, address)
        self._report_closed(at, numbers, data)

    def _report_closed(self, at: int, numbers: dict[str, int], data: tuple[str, str]) -> None:
        """A write to what is not the core's own; by a stack pointer it may be to its stack, which is all there."""
        if "top" in numbers and any(
            closed.span.holds(numbers["top"] - 4) and (closed.what, closed.party) == data
            for closed in self._shut
        ):
            numbers["within"] = 1
        self._core.report(data[0], at, numbers, {"party": data[1]})

    def _slack(self, uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        write = access == self._unicorn.UC_MEM_WRITE
        self._core.note_fault(
            "unmapped-write" if write else "unmapped-read", {"address": address, "size": size}
        )

    def _near_stack_limit(
        self, uc: Any, access: int, address: int, size: int, value: int, data: object
    ) -> None:
        core, limit = self._core, self._plan.stack_limit or 0
        stack, at = core.registers.stack, core.registers.pc & ~1
        if address < stack - MAX_PUSHED or not core.on_main_stack or core.stack_moves.elsewhere:
            return
        store = memory_access(*core.instruction(at))
        if store and store.base == SP:
            stack += min(store.writeback or 0, 0)
        if stack < limit and stack <= address:
            core.report("below-stack-limit", at, {"address": address, "limit": limit, "stack": stack})

    def touches_bit(self, address: int, written: int | None) -> None:
        """The core reads or writes a byte of memory by an alias, where the library calls no watch of that memory."""
        access = self._unicorn.UC_MEM_READ if written is None else self._unicorn.UC_MEM_WRITE
        for callback, data, span in self._bit_watches:
            if span.holds(address):
                callback(None, access, address, 1, written or 0, data)

    def _guarded(self, uc: Any, access: int, address: int, size: int, value: int, area: str) -> None:
        write = access == self._unicorn.UC_MEM_WRITE
        self._device.touched_guarded(self._core, area, address, self._core.registers.pc & ~1, write)

    def _system_read(self, offset: int, size: int) -> int:
        core = self._core
        if core.blocks.sets_control and core.unprivileged:
            core.note_fault("unprivileged-access", {"address": BASE + offset, "size": size})
            return 0
        return 0 if self._split.look(offset, size) else core.system.read(offset, size)

    def _system_write(self, offset: int, size: int, value: int) -> None:
        core = self._core
        triggers = BASE + offset == SOFTWARE_TRIGGER and core.system.configuration & USER_TRIGGERS
        if core.unprivileged and not triggers:
            core.note_fault("unprivileged-access", {"address": BASE + offset, "size": size})
        elif not core.faults.noted and (size > 1 or not self._split.is_split_write(BASE + offset)):
            core.system.write(offset, size, value)
