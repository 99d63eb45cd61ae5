"""A core's private peripheral space, as far as start-up code needs it: held and read back, a tick timer.

Register addresses: Armv7-M and Armv8-M architecture reference manuals, "System address map" (from memory);
they are the same in the common headers of the architecture.
"""

from __future__ import annotations

from collections.abc import Callable

BASE, SIZE = 0xE000_0000, 0x10_0000

CYCLE_CONTROL, CYCLE_COUNT = 0xE000_1000, 0xE000_1004
TICK_CONTROL, TICK_RELOAD, TICK_CURRENT = 0xE000_E010, 0xE000_E014, 0xE000_E018
ENABLE_SET, ENABLE_CLEAR, PENDING_SET, PENDING_CLEAR = 0xE000_E100, 0xE000_E180, 0xE000_E200, 0xE000_E280
CPU_ID, INTERRUPT_CONTROL, VECTOR_TABLE = 0xE000_ED00, 0xE000_ED04, 0xE000_ED08
SYSTEM_CONTROL, SLEEP_ON_EXIT = 0xE000_ED10, 1 << 1
PRIORITIES, SYSTEM_PRIORITIES = 0xE000_E400, 0xE000_ED18
RESET_CONTROL, COPROCESSORS = 0xE000_ED0C, 0xE000_ED88
MPU_CONTROL, SAU_CONTROL, SOFTWARE_TRIGGER = 0xE000_ED94, 0xE000_EDD0, 0xE000_EF00

BANKS = 16
"""Words of 32 interrupts each in the interrupt controller's registers."""

ENABLE, TICK_INTERRUPT, PROCESSOR_CLOCK, TICKED = 1 << 0, 1 << 1, 1 << 2, 1 << 16
PENDSV_SET, PENDSV_CLEAR, TICK_PENDING_SET, TICK_PENDING_CLEAR = 1 << 28, 1 << 27, 1 << 26, 1 << 25
RESET_KEY, RESET_REQUEST = 0x05FA, 1 << 2
PENDSV, TICK = 14, 15
FLOAT_UNIT = 0xF << 20


class SystemSpace:
    """The registers of one core at 0xE000_0000..0xE00F_FFFF."""

    def __init__(
        self,
        now: Callable[[], int],
        active: Callable[[], int],
        report: Callable[[str, dict[str, int]], None],
    ) -> None:
        """``now`` counts instructions, ``active`` is the number of the exception that runs (0: none)."""
        self.pending: set[int] = set()
        self.enabled: set[int] = set()
        self.used: set[str] = set()
        self._words: dict[int, int] = {VECTOR_TABLE: 0}
        self._now, self._active, self._report = now, active, report
        self._tick_start = 0
        self._ticks_seen = 0

    @property
    def vector_table(self) -> int:
        """Where the core's vector table is now."""
        return self._words[VECTOR_TABLE]

    @property
    def float_unit_on(self) -> bool:
        """Whether code may use the float unit."""
        return self._words.get(COPROCESSORS, 0) & FLOAT_UNIT == FLOAT_UNIT

    def state(self) -> tuple[object, ...]:
        """Everything that decides what the core will read and which exceptions it will take."""
        phase = self._elapsed() % self._period() if self._ticking() else 0
        return tuple(sorted(self._words.items())), frozenset(self.pending), frozenset(self.enabled), phase

    def read(self, offset: int, size: int) -> int:
        """What the core reads at ``offset`` from the base."""
        address = BASE + offset
        return self._read_word(address & ~3) >> 8 * (address & 3) & ((1 << 8 * size) - 1)

    def write(self, offset: int, size: int, value: int) -> None:
        """The core writes ``value``."""
        address = BASE + offset
        word, shift = address & ~3, 8 * (address & 3)
        mask = ((1 << 8 * size) - 1) << shift & 0xFFFF_FFFF
        self._write_word(word, value << shift & mask, mask)

    def tick(self) -> None:
        """Make the tick timer's interrupt pending when it ran out since the last look."""
        if self._ticking() and self._words[TICK_CONTROL] & TICK_INTERRUPT:
            wraps = self._elapsed() // self._period()
            if wraps > self._ticks_seen:
                self.pending.add(TICK)
            self._ticks_seen = wraps

    @property
    def may_wake(self) -> bool:
        """Whether the tick timer's interrupt will come by itself."""
        return self._ticking() and bool(self._words[TICK_CONTROL] & TICK_INTERRUPT)

    def set_pending(self, number: int, pending: bool) -> None:
        """Make external interrupt ``number`` pending, or not."""
        (self.pending.add if pending else self.pending.discard)(16 + number)

    def most_urgent(self) -> int | None:
        """The pending and enabled exception of the highest priority; masks are the core's affair."""
        ready = [each for each in self.pending if each < 16 or each in self.enabled]
        return min(ready, key=lambda number: (self.priority(number), number), default=None)

    def priority(self, number: int) -> int:
        """The priority given to an exception: 0 to 255, a lower value before a higher one."""
        address = PRIORITIES + number - 16 if number >= 16 else SYSTEM_PRIORITIES + number - 4
        return self._words.get(address & ~3, 0) >> 8 * (address & 3) & 0xFF

    @property
    def sleeps_on_exit(self) -> bool:
        """Whether the core goes to sleep when it returns from its last exception."""
        return bool(self._words.get(SYSTEM_CONTROL, 0) & SLEEP_ON_EXIT)

    def start(self, vectors: int) -> None:
        """The core leaves reset with this vector table."""
        self._words[VECTOR_TABLE] = vectors

    def _ticking(self) -> bool:
        return bool(self._words.get(TICK_CONTROL, 0) & ENABLE) and self._words.get(TICK_RELOAD, 0) > 0

    def _period(self) -> int:
        return (self._words.get(TICK_RELOAD, 0) & 0xFF_FFFF) + 1

    def _elapsed(self) -> int:
        return self._now() - self._tick_start

    def _read_word(self, address: int) -> int:
        if address == TICK_CONTROL:
            return self._read_tick_control()
        if address == TICK_CURRENT:
            return self._period() - 1 - self._elapsed() % self._period() if self._ticking() else 0
        if address == CYCLE_COUNT:
            return self._now() & 0xFFFF_FFFF if self._words.get(CYCLE_CONTROL, 0) & 1 else 0
        if address == INTERRUPT_CONTROL:
            pending = self.most_urgent() or 0
            return self._active() | pending << 12
        for base, numbers in (
            (ENABLE_SET, self.enabled),
            (ENABLE_CLEAR, self.enabled),
            (PENDING_SET, self.pending),
            (PENDING_CLEAR, self.pending),
        ):
            if base <= address < base + 4 * BANKS:
                first = 16 + 8 * (address - base)
                return sum(1 << bit for bit in range(32) if first + bit in numbers)
        return self._words.get(address, 0)

    def _read_tick_control(self) -> int:
        value = self._words.get(TICK_CONTROL, 0)
        if self._ticking():
            wraps = self._elapsed() // self._period()
            if wraps > self._words.get(-TICK_CONTROL, 0):
                value |= TICKED
            self._words[-TICK_CONTROL] = wraps
        return value

    def _write_word(self, address: int, value: int, mask: int) -> None:
        held = self._words.get(address, 0) & ~mask | value
        for base, numbers, add in (
            (ENABLE_SET, self.enabled, True),
            (ENABLE_CLEAR, self.enabled, False),
            (PENDING_SET, self.pending, True),
            (PENDING_CLEAR, self.pending, False),
        ):
            if base <= address < base + 4 * BANKS:
                first = 16 + 8 * (address - base)
                chosen = {first + bit for bit in range(32) if value >> bit & 1}
                (numbers.update if add else numbers.difference_update)(chosen)
                return
        if address == INTERRUPT_CONTROL:
            self._write_interrupt_control(value)
            return
        if address == SOFTWARE_TRIGGER:
            self.pending.add(16 + (value & 0x1FF))
            return
        if address == RESET_CONTROL:
            if value >> 16 == RESET_KEY and value & RESET_REQUEST:
                self._report("reset-requested", {"value": value})
            return
        self._hold(address, held)

    def _hold(self, address: int, value: int) -> None:
        if address in (TICK_CONTROL, TICK_CURRENT, TICK_RELOAD):
            if address == TICK_CONTROL:
                self._words[TICK_CONTROL] = value & ~TICKED
            elif address == TICK_RELOAD:
                self._words[TICK_RELOAD] = value & 0xFF_FFFF
            if address != TICK_RELOAD:
                self._tick_start, self._ticks_seen = self._now(), 0
                self._words[-TICK_CONTROL] = 0
            return
        if address == VECTOR_TABLE:
            value &= ~0x7F
            if value != self.vector_table:
                self._report("vector-table-moved", {"value": value})
        if address == MPU_CONTROL and value & ENABLE:
            self.used.add("the memory protection unit was switched on; its regions are not enforced")
        if address == SAU_CONTROL and value & ENABLE:
            self.used.add("the security attribution unit was switched on; everything stays Secure")
        self._words[address] = value

    def _write_interrupt_control(self, value: int) -> None:
        for bit, number, pend in (
            (PENDSV_SET, PENDSV, True),
            (PENDSV_CLEAR, PENDSV, False),
            (TICK_PENDING_SET, TICK, True),
            (TICK_PENDING_CLEAR, TICK, False),
        ):
            if value & bit:
                (self.pending.add if pend else self.pending.discard)(number)
