"""Cores that no interrupt reaches and that still go on: what another core writes, or the own timer, ends their wait.

The device goes on past the end of its run.  A core that leaves the loop in which it waits, does something and comes to
wait there again has an idle state that something wakes; one that only looks from time to time at what nobody changes
has none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gemel.rehearsal.emulator.loop_probe import LONGEST_CIRCLE, OWN_FRAME, Accesses, is_interruptible
from gemel.rehearsal.emulator.system_space.registers import TICK_CONTROL
from gemel.rehearsal.emulator.tick_probe import is_own
from gemel.spans import Span, without

if TYPE_CHECKING:
    from collections.abc import Iterable

    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
    from gemel.rehearsal.emulator.device import Device

FOLLOWED = 4_000_000
"""Instructions that the device goes on, at most as long as its budget."""

RELEASES = 2
"""Times that a core is released from one loop, and comes back to it."""

VISITS, TURNS, TURN = 256, 64, 1000
"""Visits to a loop that are looked at, and turns in which a core that works has to come to one."""

ABSENCE = 100_000
"""Instructions outside its loop of which the accesses are looked at."""


def released_cores(device: Device) -> set[str]:
    """The cores that are released from the loop in which they wait again and again; the device has changed then."""
    until = device.schedule.time() + min(FOLLOWED, device.plan.budget)
    return {
        core.plan.name
        for core in device.cores.values()
        if core.runs and not (core.interrupts.handler or is_interruptible(core))
        if _Follower(device, core, until).comes_back()
    }


class _Follower:
    def __init__(self, device: Device, core: EmulatedCore, until: int) -> None:
        self._device, self._core, self._until = device, core, until
        self._loop: list[Span] = []
        self._accesses = Accesses(core)
        self._read: dict[int, bytes] = {}

    def comes_back(self) -> bool:
        """Whether the core is released from one loop for more than another look, ``RELEASES`` times.

        A word of its own that the loop reads and that it does not change then is what it waits for, in vain.
        """
        times: dict[int, int] = {}
        for _ in range(VISITS):
            if not self._comes_to_loop():
                return False
            loop = self._loop[0].start
            if times.get(loop, 0) == RELEASES:
                return True
            if not self._leaves():
                return False
            # Where the loop reads nothing but memory, only another core can have ended it.
            written = not self._accesses.elsewhere or any(
                self._core.bus.read_bytes(at, 1) != before for at, before in self._read.items()
            )
            works = Accesses(self._core)
            with works.watched():
                self._go_to(self._loop, min(self._until, self._device.schedule.time() + ABSENCE))
            by_timer = self._accesses.own == TICK_CONTROL and not self._looks_only(works)
            own = {at for at in self._read if is_own(self._core, at)}
            times[loop] = times.get(loop, 0) + ((written or by_timer) and own <= works.changed)
        return False

    def _comes_to_loop(self) -> bool:
        """Go on until the core goes round in the same state, with nothing written."""
        for _ in range(TURNS):
            places = self._round()
            if places and self._round(len(places)):
                self._loop = [Span(at, 4 if self._core.instruction(at)[1] else 2) for at in sorted({*places})]
                self._read = {
                    at: self._core.bus.read_bytes(at, 1) for at in self._outside_stack(self._accesses)
                }
                return True
            self._go_to([], min(self._until, self._device.schedule.time() + TURN))
            if not self._goes_on(self._until):
                return False
        return False

    def _round(self, length: int = 2 * LONGEST_CIRCLE) -> list[int]:
        """The addresses of the instructions that the core goes round in, within ``length``; empty if it does not."""
        import unicorn

        core, seen, changes = self._core, dict[object, int](), 0
        places: list[int] = []
        found: list[int] = []
        accesses = self._accesses = Accesses(core)

        def on_code(uc: Any, address: int, size: int, data: object) -> None:
            nonlocal changes, found
            if accesses.changes != changes:
                changes = accesses.changes
                seen.clear()
            frame = core.bus.read_bytes(core.registers.stack, OWN_FRAME)
            state = address, core.registers.snapshot(), frame
            if state in seen:
                found = found or places[seen[state] :]
            seen[state] = len(places)
            places.append(address)

        hook = core.native.uc.hook_add(unicorn.UC_HOOK_CODE, on_code)
        with accesses.watched():
            for _ in range(length):
                if len(places) > length or not core.runs or core.interrupts.handler:
                    break
                self._device.run(core, core.time + length + 1 - len(places))
        core.native.uc.hook_del(hook)
        return found

    def _outside_stack(self, accesses: Accesses) -> set[int]:
        return {at for at in accesses.read if not accesses.is_on_stack(at)}

    def _looks_only(self, works: Accesses) -> bool:
        """Whether the core looks at RAM that it does not change: that is what it waits for."""
        return bool((self._read.keys() | self._outside_stack(works)) - works.changed)

    def _leaves(self) -> bool:
        return self._go_to(without([Span(0, 1 << 32)], self._loop), self._until)

    def _goes_on(self, until: int) -> bool:
        device = self._device
        return self._core.runs and device.schedule.time() < until and not device.to_restart

    def _go_to(self, places: Iterable[Span], until: int) -> bool:
        """Let the device go on until the core executes in ``places``; False if it does not before time ``until``."""
        import unicorn

        device, core, came = self._device, self._core, False

        def on_code(uc: Any, address: int, size: int, data: object) -> None:
            nonlocal came
            came = core.hand_over = True
            core.stop_before(address)

        uc = core.native.uc
        hooks = [
            uc.hook_add(unicorn.UC_HOOK_CODE, on_code, begin=each.start, end=each.last) for each in places
        ]
        uc.ctl_flush_tb()
        while self._goes_on(until) and not came:
            following = device.schedule.next_core()
            if following is None:
                break
            limit, turn = device.schedule.on_core(following, until), device.schedule.limit(following)
            device.run(following, limit if turn is None else min(limit, turn))
        for hook in hooks:
            uc.hook_del(hook)
        uc.ctl_flush_tb()
        return came
