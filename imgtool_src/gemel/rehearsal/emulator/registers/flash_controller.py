"""A flash memory's controller, as the layout describes it: unlocked by keys, then it erases and programs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from gemel.layout.rehearsal_model import FlashController
from gemel.rehearsal.emulator.core.backing import Backing
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device

BY_REGISTERS, LOCKED, NO_COMMAND = range(3)
"""Why a store into flash does not program it: the controller takes words by registers, is locked, has no command."""


class DescribedFlash:
    """One flash controller.

    ``cell`` makes a value that the device's state remembers.  Programming changes bits from what an erased byte
    reads to the other value only, as flash does.  With a write unit of more than one byte, each byte is programmed
    once after an erase, since the unit has one error correction code; stores may fill a unit piece by piece.
    """

    def __init__(self, plan: FlashController, cell: Callable[[int], list[int]], device: Device) -> None:
        self.plan, self._device = plan, device
        self._expected = plan.unlock.keys if plan.unlock else ()
        self._command, self._address, self._data = cell(0), cell(0), cell(0)
        self._keys, self._running, self._changes = cell(0), cell(0), cell(0)
        self._units: dict[int, tuple[str, int, int, int]] = {}
        """The write units programmed, by offset: by which core, where last, at which address, which bytes (as bits)."""

    @property
    def _locked(self) -> bool:
        return self._keys[0] < len(self._expected)

    def _selects(self, command: int) -> bool:
        mask = command if self.plan.command_mask is None else self.plan.command_mask
        return self._command[0] & mask == command

    # -- its registers -----------------------------------------------------------------------------

    def write_key(self, core: str, value: int, mask: int) -> None:
        """The next key, or the first one again; another value starts over."""
        keys, given = self._expected, self._keys[0]
        if given < len(keys):
            self._keys[0] = given + 1 if value == keys[given] else int(value == keys[0])

    def write_command(self, core: str, value: int, mask: int) -> None:
        """Take a command, unless the controller is locked."""
        if self._locked:
            return
        place = self._device.place()
        self._command[0] = self._command[0] & ~mask | value
        if value & self.plan.lock_bits:
            self._keys[0] = 0
            self._command[0] &= ~self.plan.lock_bits
        elif self._selects(self.plan.erase):
            self._device.after_instruction(lambda: self._erase(core, place))
        elif self.plan.data_at is not None and self._selects(self.plan.program):
            data = self._data[0].to_bytes(4, "little")
            self._device.after_instruction(lambda: self._program(core, place, self._address[0], data))

    def read_command(self, core: str) -> int:
        """The command, and whether it is locked."""
        return self._command[0] | (self.plan.lock_bits if self._locked else 0)

    def write_address(self, core: str, value: int, mask: int) -> None:
        """Take an address."""
        self._address[0] = self._address[0] & ~mask | value

    def read_address(self, core: str) -> int:
        """The address last written."""
        return self._address[0]

    def write_data(self, core: str, value: int, mask: int) -> None:
        """Take a word to program."""
        self._data[0] = self._data[0] & ~mask | value

    def read_data(self, core: str) -> int:
        """The word last written."""
        return self._data[0]

    def status(self, core: str) -> int:
        """The bits that show that it is busy."""
        return self.plan.busy_bits if self._running[0] else 0

    @property
    def lacking(self) -> int:
        """Why a store does not program: BY_REGISTERS, LOCKED or NO_COMMAND."""
        if self.plan.data_at is not None:
            return BY_REGISTERS
        return LOCKED if self._locked else NO_COMMAND

    # -- the flash ---------------------------------------------------------------------------------

    def takes_store(self, memory: Backing) -> bool:
        """Whether a store into ``memory`` programs it now."""
        wanted = memory.plan.name == self.plan.memory and self.plan.data_at is None
        return wanted and not self._locked and self._selects(self.plan.program)

    def store(self, core: str, address: int, data: bytes) -> None:
        """A core stores ``data``, which ``takes_store`` allows; the flash changes after the instruction."""
        located, place = self._device.locate(address), self._device.place()
        before = located[0].read(located[1], len(data)) if located else b""

        def program() -> None:
            if located is not None:
                located[0].write(located[1], before)  # the emulator may have stored it as it stands
            self._program(core, place, address, data)

        self._device.after_instruction(program)

    def _located(self, place: int, address: int, command: str) -> tuple[Backing, int] | None:
        located = self._device.locate(address)
        if located is None or located[0].plan.name != self.plan.memory:
            self._device.flash_fault(place, address, command, f"which is not in memory {self.plan.memory}")
            return None
        return located

    def _program(self, core: str, place: int, address: int, data: bytes) -> None:
        if (located := self._located(place, address, "program")) is None:
            return
        memory, offset = located
        before = memory.read(offset, len(data))
        # Only bits that read as erased can change.
        erased = memory.plan.fill[0]
        after = bytes(
            ((old ^ erased) | (new ^ erased)) ^ erased for old, new in zip(before, data, strict=False)
        )
        unit = memory.plan.write_unit
        again = unit >= len(after) and self._is_programmed(core, place, located, address, len(after))
        if again and any(data):
            reason = f"in a write unit of {unit} bytes programmed already"
            self._device.flash_fault(place, address, "program", reason)
        elif after != data[: len(after)]:
            self._device.flash_fault(place, address, "program", "which is not erased")
        memory.write(offset, after)
        if any(old != erased for old in before):
            self._device.code_changed()
        self._begin(core)

    def _is_programmed(
        self, core: str, place: int, located: tuple[Backing, int], address: int, size: int
    ) -> bool:
        """Note that a write unit gets ``size`` bytes; whether one of them was programmed since the erase."""
        memory, offset = located
        within = offset % memory.plan.write_unit
        start = offset - within
        if start not in self._units:
            held = memory.read(start, memory.plan.write_unit)
            bits = 0 if held == memory.plan.fill * len(held) else (1 << len(held)) - 1
            self._units[start] = core, place, address - within, bits
        core, _, first, bits = self._units[start]
        own = (1 << size) - 1 << within
        self._units[start] = core, place, first, bits | own
        return bool(bits & own)

    def partly_programmed(self) -> Iterator[tuple[str, int, int, int]]:
        """Write units of which only some bytes were programmed: by which core, where, address and how many."""
        size = self._device.write_unit(self.plan.memory)
        for core, place, address, bits in self._units.values():
            if bits.bit_count() < size:
                yield core, place, address, bits.bit_count()

    def _erase(self, core: str, place: int) -> None:
        if (located := self._located(place, self._address[0], "erase")) is None:
            return
        memory, offset = located
        block = memory.plan.erase_block
        start = offset - offset % block
        erased = Span(self._address[0] - (offset - start), min(block, memory.plan.size - start))
        memory.write(start, memory.plan.fill * erased.size)
        self._device.flash_erased(place, memory.plan.name, start, erased, self.plan.command_at)
        self._units = {at: each for at, each in self._units.items() if not start <= at < start + block}
        self._device.code_changed()
        self._begin(core)

    def _begin(self, core: str) -> None:
        self._changes[0] += 1
        self._running[0] += 1
        self._device.later(core, self.plan.duration, self._ended)

    def _ended(self, time: int) -> None:
        self._running[0] = max(0, self._running[0] - 1)
