"""Which core runs next, and how far: the core with the least time, up to a little ahead of the others.

How far a core may be ahead shrinks to ``MIN_TURN`` whenever the cores talk (they touch registers or
memory that both use) and grows while they do not.  An interleaving other than 0 draws each turn from a
generator of its own, so that the same number always gives the same order.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import TYPE_CHECKING

from gemel.rehearsal.plan import MAX_TURN, MIN_TURN, DevicePlan

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.backing import Backing
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

QUIET_TURNS = 16
"""Turns without a word between the cores after which turns get twice as long."""

MAX_WATCHED = 1 << 14
"""Bytes of shared areas that are looked at after each turn; with more of them turns stay short."""

DELAYS = (0, 100, 1_000)
"""Instructions by which an interleaving may delay the start of a released core."""

PERIODS = ((1, 1), (4, 1), (1, 4), (1, 1), (2, 1), (1, 2))
"""Time that an instruction of the primary and of each other core takes, in turn by the interleaving's number."""

JITTER = 16
"""The part of its period by which an interleaving may let a tick or an event of a device come earlier."""

PAUSE = 50_000
"""Time that a core pauses at the place that an interleaving names."""


class Schedule:
    """The order in which the cores of a device run."""

    def __init__(
        self, plan: DevicePlan, cores: Mapping[str, EmulatedCore], memories: Mapping[str, Backing]
    ) -> None:
        self._cores = cores
        self._turn, self._quiet = MIN_TURN, 0
        self._pauses_until = 0
        periods = PERIODS[plan.interleaving % len(PERIODS)]
        self._periods = {core.name: periods[not core.primary] for core in plan.cores}
        self._offsets = dict.fromkeys(self._periods, 0)
        self._random = random.Random(plan.interleaving) if plan.interleaving else None  # noqa: S311
        self._other_moments = plan.other_moments
        self._shared = [(memories[memory], offset, size) for _, memory, offset, size in plan.shared]
        self._watchable = sum(size for _, _, size in self._shared) <= MAX_WATCHED
        self._seen: list[bytes] = []
        self._others: int | None = None
        """When the next of the other cores executes, as ``next_core`` saw it."""

    def next_core(self) -> EmulatedCore | None:
        """The core to run next: the one whose next instruction comes first; None if none will ever run."""
        found, first, self._others = None, 0, None
        for core in self._cores.values():
            own_time = core.time if core.runs else _wakes_at(core)
            if own_time is None:
                continue
            time = self.common(core, own_time)
            if found is None or time < first:
                found, first, self._others = core, time, None if found is None else first
            elif self._others is None or time < self._others:
                self._others = time
        return found

    def time(self) -> int:
        """The common time that every core that runs has reached."""
        cores = self._cores.values()
        running = [self.common(core, core.time) for core in cores if core.runs]
        return min(running) if running else max(self.common(core, core.time) for core in cores)

    def common(self, core: EmulatedCore, time: int) -> int:
        """The common time when it is ``time`` on a core: the same, unless an interleaving slows the core down."""
        return time * self._periods[core.plan.name] + self._offsets[core.plan.name]

    def on_core(self, core: EmulatedCore, common: int) -> int:
        """The time of a core at a common time."""
        return -((self._offsets[core.plan.name] - common) // self._periods[core.plan.name])

    def limit(self, core: EmulatedCore) -> int | None:
        """Up to when ``core`` may run, which ``next_core`` has just given; None where no other core runs."""
        if self._others is None:
            return None
        self._look_at_shared()
        turn = self._random.randint(1, 2 * self._turn) if self._random else self._turn
        return max(core.time + 1, self.on_core(core, self._others + turn))

    def start_time(self, core: EmulatedCore, now: int) -> int:
        """When a core that is released at common time ``now`` executes its first instruction, in its time."""
        self.cores_talk()
        return self.on_core(core, now) + (self._random.choice(DELAYS) if self._random else 0)

    def jitter(self, time: int) -> int:
        """How much earlier, by the interleaving, comes what is to come after ``time``."""
        return self._random.randint(0, time // JITTER) if self._random and self._other_moments else 0

    def pause(self, core: EmulatedCore) -> None:
        """Let the other cores go first for a while; the core's own time stands still."""
        self._offsets[core.plan.name] += PAUSE
        self._pauses_until = self.common(core, core.time)
        core.hand_over = True

    def pauses(self) -> bool:
        """Whether a core still pauses."""
        return self.time() < self._pauses_until

    def cores_talk(self) -> None:
        """The cores touch something that both use: turns get short."""
        self._turn, self._quiet = MIN_TURN, 0

    def _look_at_shared(self) -> None:
        if not self._watchable:
            self._turn = MIN_TURN
            self._look_at_code()
            return
        shared = [memory.read(offset, size) for memory, offset, size in self._shared]
        if shared != self._seen:
            self._seen = shared
            self.cores_talk()
            self._look_at_code()
            return
        self._quiet += 1
        if self._quiet >= QUIET_TURNS:
            self._turn, self._quiet = min(2 * self._turn, MAX_TURN), 0

    def _look_at_code(self) -> None:
        """The emulator sees that a core changes its own code, not that another one does."""
        for core in self._cores.values():
            if core.blocks.loaded_again():
                core.look_again()


def _wakes_at(core: EmulatedCore) -> int | None:
    """When a core that does not run executes its next instruction; None if it will not by itself."""
    return core.sleep.wakes_at() if core.state == "sleeping" else None
