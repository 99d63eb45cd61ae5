"""Detecting that a device is in the same state again: nothing will ever change without something from outside.

Brent's way of finding a cycle: an earlier state is kept, with those of the looks after it, and renewed at ever longer
distances.  Registers are compared at each look; the rest only where they agree, memory last.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device

REPEATS_BY_CHANCE = 8
"""Looks that must find what one of as many found before, where the cores' distance in time does not count.

That is where turns are drawn by chance, and for a core at WFE, which looks again after other times than the others.
"""

MAX_USELESS = 32
"""Times in a row that memory is compared in vain with what was kept; then the next state is waited for."""


class SameState:
    """Asks a device, at each look, whether all of it is as at some earlier look; ``since``: when, for each core."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._turns, self._renew_at = 0, 4
        self._wanted = 0
        self._kept: list[tuple[tuple[object, ...], ...]] = []
        self._useless = self._matches = 0
        self.since: dict[str, int] = {}
        self._by_chance = device.plan.interleaving != 0

    def again(self) -> bool:
        """Whether the state repeats; not while a core pauses, which changes nothing then."""
        if self._device.schedule.pauses():
            return False
        self._turns += 1
        registers = self._quick()
        if self._turns >= self._renew_at:
            by_chance = self._by_chance or any(state == "waiting" for state, *_ in registers)
            self._wanted = REPEATS_BY_CHANCE if by_chance else 1
            self._renew_at = 2 * self._turns + self._wanted - 1
            self._kept, self._useless, self._matches = [], 0, 0
            self.since = {name: core.time for name, core in self._device.cores.items()}
        else:
            self._compare(registers)
        if len(self._kept) < self._wanted:
            self._kept.append((registers, self._rest(), self._memories()))
        return 0 < self._matches == self._wanted

    def _compare(self, registers: tuple[object, ...]) -> None:
        """Count a look that finds what one before found."""
        kept = [each for each in self._kept if each[0] == registers]
        if not kept or self._useless >= MAX_USELESS:
            return
        rest = self._rest()
        kept = [each for each in kept if each[1] == rest]
        if not kept:
            return
        memories = self._memories()
        if any(each[2] == memories for each in kept):
            self._matches, self._useless = self._matches + 1, 0
        else:
            self._useless += 1

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

    def _rest(self) -> tuple[object, ...]:
        """What else the cores and the device's registers hold."""
        device = self._device
        now = device.schedule.time()
        cores = [
            (
                core.registers.float_snapshot(),
                core.system.state(time, core.state == "sleeping"),
                core.coming.distances(time),
            )
            for core in device.cores.values()
            for time in [core.time if core.runs else device.schedule.on_core(core, now)]
        ]
        return (*cores, device.registers.state(), tuple(device.reached_goals))

    def _memories(self) -> tuple[object, ...]:
        memories = self._device.memories.values()
        return tuple(each.quick_digest() for each in memories if each.plan.kind == "ram")
