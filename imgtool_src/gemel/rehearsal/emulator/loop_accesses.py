"""What a core reads and writes in a loop, and whether all that its ticks do is to count.

A handler without a condition does the same for ever; one that branches may do more at a later tick.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from gemel.m_profile.code.function_steps import is_unknown_jump
from gemel.m_profile.instructions.halfwords import branch_distance
from gemel.rehearsal.emulator.core.instruction_needs import if_then_conditions
from gemel.rehearsal.emulator.system_space.interrupts import TICK
from gemel.rehearsal.emulator.system_space.memory_protection import PRIVATE

if TYPE_CHECKING:
    from collections.abc import Collection

    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device


MAX_HANDLER = 256
"""Instructions of a handler that are looked at; a longer one may do more than count."""


def ticks_only_count(device: Device, core: EmulatedCore, read: Collection[int]) -> bool:
    """Whether its ticks change nothing that others see: no register, and none of the bytes ``read``, all its own.

    Core and memories may be changed afterwards.
    """
    import unicorn

    written: set[int] = set()
    own = {address for address in read if is_own(core, address)}

    def on_access(uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        if access == unicorn.UC_MEM_WRITE:
            written.update(range(address, address + size))
        elif not PRIVATE.holds(address) and core.bus.locate(address) is None:
            written.add(address)  # a register, of which a read may change something

    hook = core.native.at_accesses(unicorn.UC_HOOK_MEM_READ | unicorn.UC_HOOK_MEM_WRITE, on_access)
    core.native.uc.ctl_flush_tb()
    device.running = core
    returns = _runs_through(core)
    device.running = None
    core.native.unhook(hook)
    return (
        returns
        and len(own) == len(read)
        and all(is_own(core, at) for at in written - own)
        and not written & own
    )


def _runs_through(core: EmulatedCore) -> bool:
    """Run the handler of a tick; False where it comes to what may be another way at another time."""
    interrupted = core.interrupts.handler
    core.interrupts.pend(TICK)
    core.exceptions.take_due()
    if core.interrupts.handler != TICK:
        return False
    for _ in range(MAX_HANDLER):
        if _may_do_more(*core.instruction(core.pc)):
            return False
        core.run(core.time + 1)
        if core.interrupts.handler != TICK:
            return core.runs and core.interrupts.handler == interrupted
    return False


def _may_do_more(first: int, second: int) -> bool:
    """Whether an instruction has a condition, or goes where a register says that is no link."""
    unconditional = first & 0xF800 == 0xE000 or (first & 0xF800 == 0xF000 and second & 0xD000 == 0x9000)
    branches = branch_distance(first, second) is not None and not unconditional
    by_register = first & 0xFF00 == 0x4700 and first >> 3 & 0xF != 14
    return branches or by_register or bool(if_then_conditions(first)) or is_unknown_jump(first, second)


def is_own(core: EmulatedCore, address: int) -> bool:
    """Whether ``address`` is in RAM that this core alone has."""
    located = core.bus.locate(address)
    return located is not None and any(
        located[0].plan.name == memory and start <= located[1] < start + size
        for _, memory, start, size in core.plan.own_ram
    )


OWN_FRAME = 256
"""Bytes from the stack pointer on in which a core that polls a register has variables of its own."""

CALLS = 1024
"""Bytes below the stack pointer that calls use."""


class Accesses:
    """What a core reads in a loop: ``read`` all bytes of RAM, ``own`` the first of its own registers.

    ``written`` are the bytes of memory that it writes, ``changed`` those to which it gives another value, and registers
    that it writes; ``elsewhere``: whether it reads what is no memory.
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core, self._within, self._stack = core, core.interrupts.handler, core.registers.stack
        self.read: set[int] = set()
        self.own: int | None = None
        self.elsewhere = False
        self._words: dict[int, None] = {}
        self.written: set[int] = set()
        self.changed: set[int] = set()

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Look at what the core does meanwhile."""
        import unicorn

        core = self._core
        kinds = unicorn.UC_HOOK_MEM_READ | unicorn.UC_HOOK_MEM_WRITE
        self._write = unicorn.UC_MEM_WRITE
        hook = core.native.at_accesses(kinds, self._on_access)
        core.native.uc.ctl_flush_tb()
        yield
        core.native.unhook(hook)

    def _on_access(self, uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        located = self._core.bus.locate(address)
        by_loop = self._core.interrupts.handler == self._within  # not by an interrupt that comes meanwhile
        if access == self._write:
            before = int.from_bytes(self._core.bus.read_bytes(address, size), "little")
            # Clearing a flag that is clear changes nothing; a write to a register may.
            if by_loop and (located is None or before != value & (1 << 8 * size) - 1):
                self.changed.update(range(address, address + size))
            if located is not None:
                self.written.update(range(address, address + size))
        elif located and located[0].plan.kind == "ram":
            self.read.update(range(address, address + size))
            if by_loop:
                self._words.setdefault(address)
        elif located is None:
            self.elsewhere = True
            if PRIVATE.holds(address) and self.own is None:
                self.own = address

    @property
    def only_counts(self) -> bool:
        """Whether all RAM that the loop reads it changes itself, as its counters."""
        return bool(self._words) and self.awaited is None

    @property
    def awaited(self) -> int | None:
        """The first word of RAM that the loop reads and does not change; one in a frame if there is no other."""
        words = [each for each in self._words if each not in self.changed]
        return min(words, key=self.is_in_frame, default=None)

    def is_in_frame(self, address: int) -> bool:
        """Whether it is a variable of the function's own."""
        return 0 <= address - self._stack < OWN_FRAME

    def is_on_stack(self, address: int) -> bool:
        """Whether it is a variable of the function's own, or of what it calls."""
        return -CALLS <= address - self._stack < OWN_FRAME and is_own(self._core, address)
