"""Detecting that a device is in the same state again: nothing will ever change without something from outside.

Brent's way of finding a cycle: one earlier state is kept and renewed at ever longer distances.  Registers are
compared at each look; memory only when they agree.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device

AGAIN_APART = 8
"""Times that a state must come again where the cores' distance in time does not count.

That is where turns are drawn by chance, and for a core at WFE, which looks again after other times than the others.
"""

MAX_USELESS = 32
"""Times in a row that memory is compared in vain with one kept state; then the next one is waited for."""


class SameState:
    """Asks a device, at each look, whether all of it is as at some earlier look."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._turns, self._renew_at = 0, 4
        self._registers: tuple[tuple[object, ...], ...] | None = None
        self._memory: tuple[object, ...] = ()
        self._useless = self._matches = 0
        self._by_chance = device.plan.interleaving != 0

    def again(self) -> bool:
        """Whether the state repeats."""
        self._turns += 1
        registers = self._quick()
        if registers == self._registers and self._useless < MAX_USELESS:
            if self._whole() != self._memory:
                self._useless += 1
            else:
                self._matches, self._useless = self._matches + 1, 0
                apart = self._by_chance or any(state == "waiting" for state, *_ in registers)
                if self._matches == (AGAIN_APART if apart else 1):
                    return True
        if self._turns >= self._renew_at:
            self._renew_at = 2 * self._turns
            self._registers, self._memory = registers, self._whole()
            self._useless = self._matches = 0
        return False

    def _quick(self) -> tuple[tuple[object, ...], ...]:
        cores = [core for core in self._device.cores.values() if core.state != "reset"]
        common = self._device.schedule.common
        counted = [core for core in cores if core.state == "running" and not self._by_chance]
        earliest = min((common(core, core.time) for core in counted), default=0)
        return tuple(
            (
                core.state,
                core.pc,
                common(core, core.time) - earliest if core in counted else 0,
                core.registers.snapshot(),
            )
            for core in cores
        )

    def _whole(self) -> tuple[object, ...]:
        device = self._device
        now = device.schedule.time()
        cores = [
            (core.registers.float_snapshot(), core.system.state(time), core.coming.distances(time))
            for core in device.cores.values()
            for time in [core.time if core.runs else device.schedule.on_core(core, now)]
        ]
        memories = [each.quick_digest() for each in device.memories.values() if each.plan.kind == "ram"]
        return (*cores, *memories, device.registers.state(), tuple(device.reached_goals))
