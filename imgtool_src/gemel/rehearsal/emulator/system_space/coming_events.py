"""What will happen to one core at a given time: its tick timer, and what other cores and devices send."""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.emulator.system_space.registers import SystemSpace


class ComingEvents:
    """The events of one core, in order of time; of those at one time the first scheduled comes first."""

    def __init__(self, system: SystemSpace) -> None:
        self._system = system
        self._inbox: list[tuple[int, int, Callable[[int], None]]] = []
        self._scheduled = 0

    def schedule(self, time: int, action: Callable[[int], None]) -> None:
        """Call ``action(time)`` when the core comes to ``time``."""
        self._scheduled += 1
        self._inbox.append((time, self._scheduled, action))
        self._inbox.sort(key=lambda entry: entry[:2])

    def advance(self, now: int) -> None:
        """Bring timers and what was scheduled up to the core's time."""
        self._system.ticks.advance(now)
        while self._inbox and self._inbox[0][0] <= now:
            time, _, action = self._inbox.pop(0)
            action(time)

    def distances(self, now: int) -> tuple[int, ...]:
        """How far away is what was scheduled."""
        return tuple(time - now for time, _, _ in self._inbox)

    def next(self) -> int | None:
        """When something will become pending by itself; None if nothing will."""
        ticks = self._system.ticks.next_interrupt()
        if not self._inbox:
            return ticks
        return self._inbox[0][0] if ticks is None else min(ticks, self._inbox[0][0])

    def clear(self) -> None:
        """Forget what was scheduled, as at a reset."""
        self._inbox.clear()
