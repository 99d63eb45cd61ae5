"""What a core that is in the same state again waits for: one more slice with every read looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device
    from gemel.rehearsal.emulator.emulated_core import EmulatedCore


PROBED = 4096
"""Instructions that are looked at."""


def probe_loops(device: Device) -> None:
    """Report for each core that runs in circles what it reads there: event ``loops``.

    Its numbers are ``register``, ``described`` and ``memory``, the first register that the layout does not
    describe, the first that it does, and the first word of RAM that it reads, if it reads any; and
    ``interrupts``, whether an interrupt could lead it out.
    """
    for core in device.cores.values():
        if core.runs:
            _probe(device, core)


def _probe(device: Device, core: EmulatedCore) -> None:
    import unicorn

    numbers: dict[str, int] = {}
    before = {key: access.reads for key, access in device.registers.accesses.items()}

    def on_read(uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        located = core.bus.locate(address)
        if located and located[0].plan.kind == "ram":
            numbers.setdefault("memory", address)

    uc = core.native.uc
    hook = core.bus.watch(unicorn.UC_HOOK_MEM_READ, on_read)
    uc.ctl_flush_tb()
    waits = core.state == "waiting"
    place = core.pc
    device.running = core
    core.run(core.time + PROBED)
    device.running = None
    uc.hook_del(hook)
    for (name, address), access in sorted(device.registers.accesses.items()):
        if name == core.plan.name and access.reads > before.get((name, address), 0):
            numbers.setdefault("described" if device.registers.known(address) else "register", address)
    between_cores = {
        16 + each.interrupt + (0 if each.shared_line else bit)
        for each in device.plan.registers.interrupts
        if each.receiver == core.plan.name
        for bit in range(32)
        if each.mask >> bit & 1
    }
    # The other core is in the same state again too, so that no interrupt will come from it.
    can_interrupt = bool(core.could_wake() - between_cores) or core.ticks_could_wake()
    numbers["interrupts"] = int(can_interrupt and not core.registers.masks.primask)
    device.report(core, "loops", place, numbers, {"waits": "yes"} if waits else {})
