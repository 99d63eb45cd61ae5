"""Trials of what a core does where a register reads another value; all is as before after each."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from gemel.m_profile.instructions.halfwords import modified_constant, wide_immediate

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.backing import Backing
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device

WORD = 0xFFFF_FFFF

CIRCLE = 256
"""Instructions within which a circle is gone round, or left."""


@contextmanager
def as_before(
    device: Device, core: EmulatedCore, memories: list[tuple[Backing, bytes]] | None = None
) -> Iterator[None]:
    """What a core does meanwhile is taken back; ``memories`` are those with their bytes, where they are known."""
    kept = core.time, core.instructions, core.state, core.pc
    registers, masks = core.registers.snapshot(), core.registers.masks
    memories = ram_of(device) if memories is None else memories
    yield
    core.time, core.instructions, core.state, core.pc = kept
    core.registers.take_back(registers)
    if not core.unprivileged:  # which cannot have changed them
        core.registers.set_masks(masks)
    for memory, data in memories:
        memory.write(0, data)


def ram_of(device: Device) -> list[tuple[Backing, bytes]]:
    """All RAM, with its bytes."""
    return [
        (each, each.read(0, each.plan.size)) for each in device.memories.values() if each.plan.kind == "ram"
    ]


class Trials:
    """What a core does where a register reads other values; core and memories are as before after each trial."""

    def __init__(self, device: Device, core: EmulatedCore, register: int) -> None:
        self._device, self._core, self._memories = device, core, ram_of(device)
        self._port = device.registers.accesses[core.plan.name, register]
        self._circle: set[int] = set()
        self.compared: set[int] = set()
        self.leaves(None)

    def leaves(self, value: int | None) -> bool:
        """Whether ``value`` leads the core out of its circle; None learns the circle, and what it compares with."""
        port = self._port
        kept = port.reader, port.reads, port.last_value
        with as_before(self._device, self._core, self._memories):
            if value is not None:
                port.reader = lambda _core: value
            left = _leaves(self._core, self._circle, self.compared if value is None else None)
            port.reader, port.reads, port.last_value = kept
        return left


def awaited_bits(device: Device, core: EmulatedCore, register: int) -> int | None:
    """The value of ``register`` that leads the core out of its circle, of as few bits as do; None if none is found.

    Tried are single bits, all bits less those that do not matter, and what the circle compares with.
    """
    trials = Trials(device, core, register)
    for value in (0, *(1 << bit for bit in range(32))):
        if trials.leaves(value):
            return value
    if not trials.leaves(WORD):
        return next((value for value in sorted(trials.compared) if trials.leaves(value)), None)
    value = WORD
    for bit in range(32):
        if trials.leaves(value & ~(1 << bit)):
            value &= ~(1 << bit)
    return value


def lacking_bits(device: Device, core: EmulatedCore, register: int, bits: int) -> int:
    """The bits of ``bits`` that ``register`` never reads by its description; 0 if what it may read ends the circle."""
    shown = device.registers.values_shown(register)
    trials = Trials(device, core, register)
    if not shown or any(trials.leaves(value) for value in shown):
        return 0
    return bits & ~max(shown, key=int.bit_count)


def _leaves(core: EmulatedCore, circle: set[int], compared: set[int] | None) -> bool:
    """Whether the core comes to an instruction outside ``circle`` soon.

    With ``compared`` it learns instead: the instructions, and the values that they compare with.
    """
    import unicorn

    left = False

    def on_code(uc: Any, address: int, size: int, data: object) -> None:
        nonlocal left
        if compared is not None:
            circle.add(address)
            compared.update(_compared(core, *core.instruction(address)))
        elif address not in circle:
            left = True
            core.blocks.suspect = address  # the emulator stops for no sleep
            uc.emu_stop()

    uc = core.native.uc
    hook = uc.hook_add(unicorn.UC_HOOK_CODE, on_code)
    uc.ctl_flush_tb()
    end = core.time + CIRCLE
    while core.time < end and core.runs and not left:
        before = core.time
        core.go(end - before)
        left = left or core.blocks.suspect is not None
        core.blocks.suspect = None
        if core.time == before:
            break
    uc.hook_del(hook)
    uc.ctl_flush_tb()
    return left and compared is None


def _compared(core: EmulatedCore, first: int, second: int) -> Iterator[int]:
    """What CMP compares with: its constant, or what both registers hold."""
    if first & 0xF800 == 0x2800:
        yield first & 0xFF
    elif first & 0xFFC0 == 0x4280:
        yield from (core.registers.value(first & 7), core.registers.value(first >> 3 & 7))
    elif first & 0xFF00 == 0x4500:
        yield from (core.registers.value(first >> 4 & 8 | first & 7), core.registers.value(first >> 3 & 0xF))
    elif first & 0xFBF0 == 0xF1B0 and second & 0x8F00 == 0x0F00:
        yield modified_constant(wide_immediate(first, second))
