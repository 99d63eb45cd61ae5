"""The debug units that code uses itself: the counter of cycles, and the ports of the trace unit.

Armv7-M and Armv8-M architecture reference manuals, "Debug" (from memory); each instruction counts as a cycle.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from gemel.rehearsal.plan import CorePlan

STIMULUS, TRACE_ENABLE, TRACE_CONTROL = 0xE000_0000, 0xE000_0E00, 0xE000_0E80
CYCLE_CONTROL, CYCLE_COUNT = 0xE000_1000, 0xE000_1004
DEBUG_CONTROL, TRACE_ON = 0xE000_EDFC, 1 << 24

OPTIONAL_COUNTER = "the cycle counter was read, which not every core of this architecture has"
"""What the result says of it: one without a counter (DWT_CTRL.NOCYCCNT) waits for ever for a count."""


class DebugUnits:
    """Those of one core, whose registers are among ``words``; what code uses of them is added to ``used``."""

    def __init__(
        self,
        words: dict[int, int],
        bits: Mapping[int, int],
        plan: CorePlan,
        now: Callable[[], int],
        used: set[str],
    ) -> None:
        self._words, self._bits, self._plan, self._now, self._used = words, bits, plan, now, used
        self._from = 0

    def read_cycles(self) -> int:
        """The counter, which goes on with the instructions where it is on."""
        on = self._words.get(CYCLE_CONTROL, 0) & 1
        if on and not self._traces:
            self._used.add("the cycle counter was read while DEMCR.TRCENA was off; it does not count then")
            on = 0
        elif on:
            self._used.add(OPTIONAL_COUNTER)
        return (self._now() - self._from) & 0xFFFF_FFFF if on else self._words.get(CYCLE_COUNT, 0)

    def write_cycles(self, count: int) -> None:
        """Let the counter go on from ``count``."""
        self._words[CYCLE_COUNT] = count
        self._from = self._now() - count

    def write_control(self, address: int, held: int) -> None:
        """Write a register that decides whether the counter counts: it goes on from where it is."""
        counts = self._traces and self._words.get(CYCLE_CONTROL, 0) & 1
        count = self.read_cycles() if counts else self._words.get(CYCLE_COUNT, 0)
        self._words[address] = held
        self.write_cycles(count)

    def read_stimulus(self, port: int) -> int:
        """A port of the trace unit takes all at once where it is on; from Armv8-M on it says where it is off."""
        if not self._bits[TRACE_CONTROL]:
            return 0
        on = self._traces and self._words.get(TRACE_CONTROL, 0) & self._words.get(TRACE_ENABLE, 0) >> port & 1
        return 1 if on else 2 if self._plan.architecture.startswith("armv8") else 0

    @property
    def _traces(self) -> bool:
        """Whether the debug units are on at all."""
        return bool(self._words.get(DEBUG_CONTROL, 0) & TRACE_ON)
