"""Which core runs next, and how far: the core furthest behind, up to a little ahead of the others.

How far a core may be ahead shrinks to ``SHORTEST_TURN`` whenever the cores talk (they touch registers or
memory that both use) and grows while they do not.  An interleaving other than 0 draws each turn from a
generator of its own, so that the same number always gives the same order.
"""

from __future__ import annotations

import random
import zlib
from typing import TYPE_CHECKING

from gemel.rehearsal.plan import LONGEST_TURN, SHORTEST_TURN

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.device import Device
    from gemel.rehearsal.emulator.emulated_core import EmulatedCore

QUIET_TURNS = 16
"""Turns without a word between the cores after which turns get twice as long."""

MAX_WATCHED = 1 << 14
"""Bytes of shared areas that are looked at after each turn; with more of them turns stay short."""

DELAYS = (0, 100, 1_000, 10_000, 100_000)
"""Instructions by which an interleaving may delay the start of a released core."""


class Schedule:
    """The order in which the cores of a device run."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._turn, self._quiet = SHORTEST_TURN, 0
        self._random = random.Random(device.plan.interleaving) if device.plan.interleaving else None  # noqa: S311
        self._shared = [
            (device.memories[memory], offset, size) for _, memory, offset, size in device.plan.shared
        ]
        self._watchable = sum(size for _, _, size in self._shared) <= MAX_WATCHED
        self._digest = 0
        self._others: int | None = None
        """When the next of the other cores executes, as ``next_core`` saw it."""

    def next_core(self) -> EmulatedCore | None:
        """The core to run next: the one whose next instruction comes first; None if none will ever run."""
        best, best_time, self._others = None, 0, None
        for core in self._device.cores.values():
            time = _next_time(core)
            if time is None:
                continue
            if best is None or time < best_time:
                best, best_time, time = core, time, best_time if best else None
            if time is not None and (self._others is None or time < self._others):
                self._others = time
        return best

    def time(self) -> int:
        """The time that every core that runs has reached."""
        cores = self._device.cores.values()
        running = [core.time for core in cores if core.runs]
        return min(running) if running else max(core.time for core in cores)

    def limit(self, core: EmulatedCore) -> int:
        """Up to when ``core`` may run, which ``next_core`` has just given."""
        if self._others is None:
            return self._device.plan.budget
        self._look_at_shared()
        turn = self._random.randint(1, 2 * self._turn) if self._random else self._turn
        return max(core.time + 1, self._others + turn)

    def start_time(self, now: int) -> int:
        """When a core that is released at ``now`` executes its first instruction."""
        self.cores_talk()
        return now + (self._random.choice(DELAYS) if self._random else 0)

    def cores_talk(self) -> None:
        """The cores touch something that both use: turns get short."""
        self._turn, self._quiet = SHORTEST_TURN, 0

    def _look_at_shared(self) -> None:
        if not self._watchable:
            self._turn = SHORTEST_TURN
            return
        digest = 0
        for memory, offset, size in self._shared:
            digest = zlib.adler32(memory.read(offset, size), digest)
        if digest != self._digest:
            self._digest = digest
            self.cores_talk()
            return
        self._quiet += 1
        if self._quiet >= QUIET_TURNS:
            self._turn, self._quiet = min(2 * self._turn, LONGEST_TURN), 0


def _next_time(core: EmulatedCore) -> int | None:
    """When a core executes its next instruction; None if it will not by itself."""
    if core.runs:
        return core.time
    return core.wakes_at() if core.state == "sleeping" else None
