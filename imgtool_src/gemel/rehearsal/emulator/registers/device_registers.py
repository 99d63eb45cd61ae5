"""The device registers: what each described one answers, and who touched which.

A register is a word of 32 bits.  Reads and writes of a byte or halfword reach their part of it.  What the
layout does not describe reads zero and forgets what is written; every access is counted.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from gemel.layout.rehearsal_model import (
    DeviceEvent,
    FlashController,
    InterCoreInterrupt,
    ReadyBits,
    RehearsalPlan,
    SequenceRegister,
    SetClearRegister,
    StatusRegister,
)
from gemel.rehearsal.emulator.registers.flash_controller import DescribedFlash
from gemel.rehearsal.emulator.registers.register_port import WORD, Reader, RegisterPort, Writer
from gemel.rehearsal.emulator.registers.special_registers import (
    DescribedEvent,
    Mutex,
    ReleaseWatch,
    Report,
    SerialPorts,
)

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device

Listener = Callable[[int, int], None]
"""Takes the bits written and which they are."""

DEVICE_BLOCK = 0x100
"""Bytes, aligned, in which a register and the one that reports on it are (common practice)."""

MAX_COMBINED = 8
"""Bits of a register that events and ready bits set, of which all combinations are listed."""

MAX_REGISTERS = 4096
"""Device registers of which accesses are counted one by one."""


class DeviceRegisters:
    """All described registers of a device, by plain address."""

    def __init__(
        self,
        plan: RehearsalPlan,
        releases: dict[str, ReleaseWatch],
        report: Report,
        raise_interrupt: Callable[[str, int, bool], None],
        state_of: Callable[[str], str],
        sought: dict[int, tuple[str, str]] | None = None,
        found_text: Callable[[int], None] = lambda index: None,
        device: Device | None = None,
    ) -> None:
        """``sought`` are texts that are goals, by number: core and text; ``found_text`` is called with that.

        ``raise_interrupt(core, number, pending)`` sets or takes back an external interrupt of a core.

        ``state_of(core)`` is running, sleeping, locked up and so on.
        """
        self.accesses: dict[tuple[str, int], RegisterPort] = {}
        self.writes: list[tuple[str, int, int]] = []
        """The first writes of each register: by which core, where and what, in order."""
        self._readers: dict[int, Reader] = {}
        self._writers: dict[int, Writer] = {}
        self._report, self._raise, self._state_of = report, raise_interrupt, state_of
        self._plan, self.serial = plan, SerialPorts(report, dict(sought or {}), found_text)
        self.mutexes = {each.at & ~3: Mutex(each, report) for each in plan.mutexes}
        self._values: list[list[int]] = []
        self._at_reset: list[int] = []
        self._held_cells: dict[int, list[int]] = {}
        self._simple: dict[int, Reader] = {}
        """What registers read that are described by one value: a constant, or what was last written."""
        self._overlays: dict[int, list[Reader]] = {}
        self._of_device: dict[int, int] = {}
        """Bits of a register that the device alone sets and clears, whatever is written there."""
        self._listeners: dict[int, list[Listener]] = {}
        self._describe(plan)
        self.events: list[DescribedEvent] = []
        self.flash: list[DescribedFlash] = []
        for ready in plan.ready:
            self._ready(ready)
        if device is not None:
            for event in plan.events:
                self._event(event, device)
            for controller in plan.flash_controllers:
                self._flash(controller, device)
        self._lay_over()
        for watch in releases.values():
            self._add(watch.plan.vector_register, watch.read_vector, watch.write_vector)
            self._add(watch.plan.control_register, watch.read_control, watch.write_control)
        self.shared = {
            *(each.at & ~3 for each in plan.status),
            *self.mutexes,
            *(each.at & ~3 for each in plan.by_core),
            *(at & ~3 for each in plan.interrupts for at in (each.set_at, each.clear_at)),
            *(each.pending_at & ~3 for each in plan.interrupts if each.pending_at is not None),
        }

    def known(self, address: int) -> bool:
        """Whether the layout describes the register."""
        return address & ~3 in self._readers or address & ~3 in self._writers

    def values_shown(self, word: int) -> set[int]:
        """What a register may read as long as code writes nothing; empty where other descriptions decide that too."""
        base = self._bases.get(word)
        if word not in self._of_device if base is None else base is not self._simple.get(word):
            return set()
        bits = [each.bits for each in self._plan.ready if each.at & ~3 == word]
        for event in self._plan.events:
            if event.status_at is not None and event.status_at & ~3 == word:
                bits += [event.status_bits, event.busy_bits]
        bits += [each.writable for each in self._plan.held if each.at & ~3 == word]
        values = {base("") if base else 0}
        for each in bits[:MAX_COMBINED]:
            values |= {value | each for value in values}
        return values

    def lets_come(self, core: str, interrupt: int) -> bool:
        """Whether code let one of the described events come that raise an interrupt of a core, or there are none.

        A device that is started by a write may raise its interrupt for more than that, once code has set it up.
        """
        raising = [each for each in self.events if (each.plan.core, each.plan.interrupt) == (core, interrupt)]
        return not raising or any(not each.is_off or self._is_set_up(each.plan) for each in raising)

    def _is_set_up(self, event: DeviceEvent) -> bool:
        """Whether code wrote ones near the register that starts an event."""
        start = event.after_write
        return start is not None and any(
            address // DEVICE_BLOCK == start // DEVICE_BLOCK and port.ones
            for (_, address), port in self.accesses.items()
        )

    def port(self, core: str, word: int, pc: int, before: Callable[[], None] | None) -> RegisterPort:
        """The register at plain address ``word`` (a multiple of four) for ``core``, which is at ``pc``."""
        found = self.accesses.get((core, word))
        if found is None:
            kept = len(self.accesses) < MAX_REGISTERS

            def note(value: int) -> None:
                if kept:
                    self.writes.append((core, word, value))

            found = RegisterPort(core, self._readers.get(word), self._writers.get(word), pc, before, note)
            if kept:
                self.accesses[core, word] = found
        return found

    def state(self) -> tuple[object, ...]:
        """Everything that decides what reads will answer, to find out whether nothing changes any more."""
        locks = tuple(each.holder for each in self.mutexes.values())
        events = tuple((each.happened, each.busy) for each in self.events)
        return tuple(tuple(each) for each in self._values), locks, events

    def reset(self) -> None:
        """Every register as after a reset of the device; what was sent stays sent."""
        for cell, value in zip(self._values, self._at_reset, strict=True):
            cell[0] = value
        for mutex in self.mutexes.values():
            mutex.holder = ""
        for event in self.events:
            event.reset()

    def _add(self, address: int, reader: Reader | None, writer: Writer | None) -> None:
        if reader:
            self._readers[address & ~3] = reader
        if writer:
            self._writers[address & ~3] = writer

    def _cell(self, value: int) -> list[int]:
        cell = [value]
        self._values.append(cell)
        self._at_reset.append(value)
        return cell

    def _describe(self, plan: RehearsalPlan) -> None:
        for constant in plan.constants:
            self._one_value(constant.at, lambda core, value=constant.value: value, None)  # type: ignore[misc]
        for held in plan.held:
            self._held(held.at, self._cell(held.reset), held.writable)
        for register in plan.by_core:
            self._add(register.at, lambda core, values=register.values: values.get(core, 0), None)  # type: ignore[misc]
        for sequence in plan.sequences:
            self._sequence(sequence, self._cell(0))
        for pair in plan.set_clear:
            cell = self._cell(pair.reset)
            self._set_clear(pair, pair.value_at, cell, partial(cell.__setitem__, 0))
        for interrupt in plan.interrupts:
            self._interrupt(interrupt, self._cell(0))
        for port in plan.serial:
            self._add(port.at, None, self.serial.writer(port.name))
        for mutex in self.mutexes.values():
            self._add(mutex.plan.at, mutex.read, mutex.write)
        for address in {each.at & ~3 for each in plan.status}:
            described = [each for each in plan.status if each.at & ~3 == address]
            self._add(address, lambda core, described=described: self._status(described), None)  # type: ignore[misc]

    def _held(self, at: int, cell: list[int], writable: int = WORD) -> None:
        self._held_cells[at & ~3] = cell

        def write(core: str, value: int, mask: int) -> None:
            mask &= writable
            cell[0] = cell[0] & ~mask | value & mask

        self._one_value(at, lambda core: cell[0], write)

    def _one_value(self, at: int, reader: Reader, writer: Writer | None) -> None:
        self._simple[at & ~3] = reader
        self._add(at, reader, writer)

    def _sequence(self, plan: SequenceRegister, cell: list[int]) -> None:
        def read(core: str) -> int:
            position, count = cell[0], len(plan.values)
            if not count:
                return 0
            cell[0] = (position + 1) % count if plan.repeat else min(position + 1, count - 1)
            return plan.values[position]

        self._add(plan.at, read, None)

    def _set_clear(
        self,
        plan: SetClearRegister | InterCoreInterrupt,
        value_at: int | None,
        cell: list[int],
        change: Callable[[int], None],
    ) -> None:
        """A register that sets bits and one that clears them; ``change`` takes the value that follows."""

        def read(core: str) -> int:
            return cell[0]

        self._add(plan.set_at, read, lambda core, value, mask: change(cell[0] | value))
        self._add(plan.clear_at, read, lambda core, value, mask: change(cell[0] & ~value))
        if value_at is not None:
            self._add(value_at, read, None)

    def _interrupt(self, plan: InterCoreInterrupt, cell: list[int]) -> None:
        def change(now: int) -> None:
            now &= plan.mask
            before, cell[0] = cell[0], now
            if raised := now & ~before:
                self._report("interrupt-raised", {"bits": raised}, {"to": plan.receiver})
            for bit in range(32):
                if (before ^ now) >> bit & 1:
                    number = plan.interrupt + (0 if plan.shared_line else bit)
                    pending = bool(now) if plan.shared_line else bool(now >> bit & 1)
                    self._raise(plan.receiver, number, pending)

        self._set_clear(plan, plan.pending_at, cell, change)

    def _last_written(self, at: int) -> list[int]:
        """What was last written to a register; one that is not described otherwise reads that, too."""
        word = at & ~3
        if word not in self._held_cells and word not in self._readers and word not in self._writers:
            self._held(word, self._cell(0))
        if word not in self._held_cells:
            cell = self._held_cells[word] = self._cell(0)

            def note(value: int, mask: int) -> None:
                cell[0] = cell[0] & ~mask | value

            self._listen(word, note)
        return self._held_cells[word]

    def _listen(self, at: int, listener: Listener) -> None:
        self._listeners.setdefault(at & ~3, []).append(listener)

    def _ready(self, plan: ReadyBits) -> None:
        cell = self._last_written(plan.follow_at)

        def read(core: str) -> int:
            return plan.bits if cell[0] & plan.follow_bits == plan.follow_bits else 0

        self._lay(plan.at, read, plan.bits)

    def _lay(self, at: int, reader: Reader, bits: int) -> None:
        """Lay bits of the device's own over the register at ``at``."""
        self._overlays.setdefault(at & ~3, []).append(reader)
        self._of_device[at & ~3] = self._of_device.get(at & ~3, 0) | bits

    def _event(self, plan: DeviceEvent, device: Device) -> None:
        enable = self._last_written(plan.enabled_at) if plan.enabled_at is not None else [WORD]
        event = DescribedEvent(plan, lambda: enable[0], device)
        self.events.append(event)
        if plan.enabled_at is not None:
            self._listen(plan.enabled_at, lambda value, mask: event.look())
        if plan.after_write is not None:
            self._listen(plan.after_write, lambda value, mask: event.written())
        if plan.status_at is not None:
            self._lay(plan.status_at, lambda core: event.status(), plan.status_bits | plan.busy_bits)
        if plan.clear_at is not None and plan.cleared_by == "read":
            self._overlays.setdefault(plan.clear_at & ~3, []).append(event.cleared_by_read)
        elif plan.clear_at is not None:
            self._listen(plan.clear_at, lambda value, mask: event.cleared(value))

    def _flash(self, plan: FlashController, device: Device) -> None:
        flash = DescribedFlash(plan, self._cell, device)
        self.flash.append(flash)
        self._add(plan.command_at, flash.read_command, flash.write_command)
        self._add(plan.address_at, flash.read_address, flash.write_address)
        if plan.data_at is not None:
            self._add(plan.data_at, flash.read_data, flash.write_data)
        if plan.unlock is not None:
            self._add(plan.unlock.at, None, flash.write_key)
        if plan.status_at is not None:
            self._overlays.setdefault(plan.status_at & ~3, []).append(flash.status)

    def _lay_over(self) -> None:
        """Put the bits of several meanings over what a register reads, and listen to its writes."""
        self._bases = dict(self._readers)
        for word, bits in self._overlays.items():
            self._readers[word] = _combined(self._readers.get(word), bits, ~self._of_device.get(word, 0))
        for word, listeners in self._listeners.items():
            self._writers[word] = _with_listeners(self._writers.get(word), listeners)

    def _status(self, described: list[StatusRegister]) -> int:
        value = 0
        for each in described:
            state = self._state_of(each.core)
            value |= each.sleeping if state in ("sleeping", "waiting") else 0
            value |= each.locked_up if state == "locked up" else 0
        return value


def _combined(base: Reader | None, bits: list[Reader], written: int) -> Reader:
    """What ``base`` reads in the bits ``written``, and all that ``bits`` read."""

    def read(core: str) -> int:
        value = base(core) & written if base else 0
        for each in bits:
            value |= each(core)
        return value

    return read


def _with_listeners(base: Writer | None, listeners: list[Listener]) -> Writer:
    def write(core: str, value: int, mask: int) -> None:
        if base:
            base(core, value, mask)
        for listener in listeners:
            listener(value, mask)

    return write
