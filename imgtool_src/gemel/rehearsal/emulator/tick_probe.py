"""Whether all that a core's ticks do is to count: its handler is run again, each instruction looked at.

A handler without a condition does the same for ever; one that branches may do more at a later tick.
"""

from __future__ import annotations

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
    core.interrupts.pend(TICK)
    core.exceptions.take_due()
    if core.interrupts.handler != TICK:
        return False
    for _ in range(MAX_HANDLER):
        if _may_do_more(*core.instruction(core.pc)):
            return False
        core.run(core.time + 1)
        if core.interrupts.handler != TICK:
            return core.runs and not core.interrupts.handler
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
