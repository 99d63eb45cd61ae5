"""The tick timer of a core, by instructions executed.

Armv7-M and Armv8-M architecture reference manuals, "The system timer, SysTick" (from memory).
"""

from __future__ import annotations

from collections.abc import Callable

ENABLE, INTERRUPT, PROCESSOR_CLOCK, COUNTED = 1 << 0, 1 << 1, 1 << 2, 1 << 16
_HELD = 0x3
NO_REFERENCE = 1 << 31
"""The calibration register: no reference clock, so that the timer counts the processor's."""

RELOAD_BITS = 0xFF_FFFF


class TickTimer:
    """Counts down to zero and starts again at its reload value; a period is reload + 1 instructions.

    ``now`` gives the time, and ``pend`` is called where its exception became pending since it was last asked.
    ``jitter`` says of a period by how many instructions it is shorter.
    """

    def __init__(self, now: Callable[[], int], pend: Callable[[], None]) -> None:
        self._now, self._pend = now, pend
        self.jitter: Callable[[int], int] = lambda period: 0
        self._control = self._reload = 0
        self._counted = False
        self._zero_at = 0
        """When the counter next reaches zero, while it is enabled."""
        self._value = 0
        """The counter while it is not enabled."""
        self._running = self._polled = False

    @property
    def interrupts(self) -> bool:
        """Whether it will make its exception pending by itself."""
        return self._running and bool(self._control & INTERRUPT)

    def settings(self) -> tuple[int, int, int]:
        """What code wrote to its control and reload registers, and whether it reads the timer."""
        return self._control, self._reload, int(self._polled)

    def _look(self) -> None:
        """Note whether it counts, after each change."""
        self._running = bool(self._control & ENABLE) and (self._reload > 0 or self._value > 0)

    def next_zero(self) -> int | None:
        """When it comes to zero; None if it will not."""
        return self._zero_at if self._running else None

    def next_interrupt(self) -> int | None:
        """When its exception will become pending; None if it will not."""
        return self.next_zero() if self.interrupts else None

    def advance(self, now: int) -> None:
        """Bring it up to time ``now``."""
        if not self._running or now < self._zero_at:
            return
        self._counted = True
        self._value = 0
        if self._reload:
            period = self._reload + 1
            ends_at = self._zero_at + ((now - self._zero_at) // period + 1) * period
            self._zero_at = max(now + 1, ends_at - self.jitter(period))
        self._look()
        if self._control & INTERRUPT:
            self._pend()

    def phase(self, now: int) -> int:
        """Where it is in its period."""
        return self._zero_at - now if self._running else 0

    def read_control(self) -> int:
        """The control register; its flag is cleared by the read."""
        self.advance(self._now())
        self._polled = True
        if not self._counted:
            return self._control | PROCESSOR_CLOCK
        self._counted = False
        return self._control | PROCESSOR_CLOCK | COUNTED

    def read_reload(self) -> int:
        """The reload register."""
        return self._reload

    def read_value(self) -> int:
        """The current value register."""
        now = self._now()
        self._polled = True
        if self._zero_at <= now:
            self.advance(now)
        if not self._running:
            return 0 if self._control & ENABLE else self._value
        left = self._zero_at - now
        return left if left <= self._reload or left <= self._value else 0

    def write_control(self, value: int) -> None:
        """Start, stop, or change whether it interrupts."""
        polled, now, before = self._polled, self._now(), self.read_value()
        self._polled = polled
        was_on, is_on = self._control & ENABLE, value & ENABLE
        if was_on and not is_on:
            self._value = before
        self._control = value & _HELD
        if is_on and not was_on:
            self._zero_at = now + (self._value or self._reload + 1)
        self._look()

    def write_reload(self, value: int) -> None:
        """The value that it starts from next time."""
        now = self._now()
        self.advance(now)
        was_running = self._running
        self._reload = value & RELOAD_BITS
        if self._control & ENABLE and not was_running:
            self._zero_at = now + self._reload + 1
        self._look()

    def write_value(self, value: int) -> None:
        """Any write clears the counter, which then starts from the reload value."""
        now = self._now()
        self.advance(now)
        self._value, self._counted = 0, False
        if self._control & ENABLE:
            self._zero_at = now + self._reload + 1
        self._look()
