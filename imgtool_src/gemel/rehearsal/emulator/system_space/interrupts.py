"""A core's interrupt controller: which exceptions are pending, active, enabled, which one is taken; its registers.

Armv7-M and Armv8-M architecture reference manuals, "Exception model", "Nested Vectored Interrupt Controller" (from
memory).  Nothing here knows an emulator, so that every rule has a test of its own.

Numbers are exception numbers: 1 reset, 2 NMI, 3 HardFault, 4 MemManage, 5 BusFault, 6 UsageFault,
7 SecureFault, 11 SVCall, 12 DebugMonitor, 14 PendSV, 15 SysTick, from 16 on external interrupts.  A lower
priority value is more urgent.
"""

from __future__ import annotations

from collections.abc import Iterable

from gemel.structs import NamedTuple

NMI, HARD_FAULT, MEMORY_FAULT, BUS_FAULT, USAGE_FAULT, SECURE_FAULT = 2, 3, 4, 5, 6, 7
SUPERVISOR_CALL, DEBUG_MONITOR, PENDSV, TICK, FIRST_EXTERNAL = 11, 12, 14, 15, 16

SWITCHING = (SUPERVISOR_CALL, PENDSV)
"""Those in whose handlers kernels switch tasks, and may wait for one that is ready."""

RESERVED = (8, 9, 10, 13)
"""Numbers of no exception."""

IDLE_PRIORITY = 256
"""Execution priority of a core that runs no handler and masks nothing: below every exception."""

FIXED = {1: -4, NMI: -2, HARD_FAULT: -1}


class Masks(NamedTuple):
    """The mask registers, as a core has them now."""

    primask: int = 0
    basepri: int = 0
    faultmask: int = 0


class Interrupts:
    """The exceptions of one core."""

    def __init__(self, external: int, priority_bits: int = 8) -> None:
        """``external`` interrupts exist; priorities have ``priority_bits`` upper bits."""
        self.external = external
        self.pending: set[int] = set()
        self.enabled: set[int] = set()
        self.active: list[int] = []
        """Those that are active, each once, in the order in which they were taken."""
        self.handler = 0
        """The exception whose handler runs; 0 in thread mode, in which exceptions may be active too."""
        self.group_split = 0
        """PRIGROUP: bits above this one decide preemption."""
        self._priority_mask = 0xFF << (8 - priority_bits) & 0xFF
        self._priorities: dict[int, int] = {}
        self._lines: set[int] = set()
        self.uncleared: dict[int, int] = {}
        """How often the handler of an external interrupt returned, its line high all the time."""

    def reset(self) -> None:
        """As after a reset of the core; lines of devices stay as they are."""
        self.pending = set(self._lines)
        self.enabled.clear()
        self.active.clear()
        self.handler = 0
        self._priorities.clear()
        self.uncleared.clear()
        self.group_split = 0

    # -- what code writes ----------------------------------------------------------------------------

    def exists(self, number: int) -> bool:
        """Whether the core has this exception."""
        return number < FIRST_EXTERNAL + self.external

    def set_priority(self, number: int, value: int) -> None:
        """Give a priority, 0 to 255; bits that the core has not are dropped, and so are those of no exception."""
        if self.exists(number) and number not in RESERVED:
            self._priorities[number] = value & self._priority_mask

    def pend(self, number: int) -> None:
        """Make an exception pending."""
        if self.exists(number):
            self.pending.add(number)

    def unpend(self, number: int) -> None:
        """Take it back; a line that is still high makes it pending again."""
        self.pending.discard(number)
        if number in self._lines and number not in self.active:
            self.pending.add(number)

    def set_line(self, number: int, high: bool) -> None:
        """The source of an external interrupt requests it, or no longer does.

        A request is kept once it came: only its handler's start, or software, ends that it is pending.
        """
        if not high:
            self._lines.discard(number)
            self.uncleared.pop(number, None)
        elif self.exists(number) and number not in self._lines:
            self._lines.add(number)
            self.pending.add(number)

    # -- what is taken -------------------------------------------------------------------------------

    def priority(self, number: int) -> int:
        """The priority of an exception: fixed and negative for the first three."""
        return FIXED.get(number, self._priorities.get(number, 0))

    def group(self, priority: int) -> int:
        """The part of a priority that decides preemption."""
        return priority if priority < 0 else priority & ~((2 << self.group_split) - 1) & 0xFF

    def is_enabled(self, number: int) -> bool:
        """Whether it may be taken when it is pending: up to 3 and from 11 to 15 always, others if enabled."""
        return number in self.enabled or number < MEMORY_FAULT or SECURE_FAULT < number < FIRST_EXTERNAL

    def execution_priority(self, masks: Masks) -> int:
        """What an exception's group priority must be lower than to be taken."""
        current = min((self.group(self.priority(number)) for number in self.active), default=IDLE_PRIORITY)
        if masks.basepri:
            current = min(current, self.group(masks.basepri))
        if masks.primask:
            current = min(current, 0)
        if masks.faultmask:
            current = min(current, -1)
        return current

    def most_urgent(self) -> int | None:
        """The pending and enabled exception of the highest priority, then the lowest number."""
        ready = [number for number in self.pending if self.is_enabled(number)]
        return min(ready, key=lambda number: (self.priority(number), number), default=None)

    def to_take(self, masks: Masks) -> int | None:
        """The exception that is taken now; None if there is none."""
        if not self.pending:
            return None
        number = self.most_urgent()
        if number is None or self.group(self.priority(number)) >= self.execution_priority(masks):
            return None
        return number

    def wakes(self, masks: Masks) -> int | None:
        """The exception that wakes a core from sleep: PRIMASK does not keep it from waking."""
        return self.to_take(masks._replace(primask=0)) if self.pending else None

    def can_preempt(self, number: int, masks: Masks) -> bool:
        """Whether exception ``number`` could be taken now, were it pending."""
        return self.group(self.priority(number)) < self.execution_priority(masks)

    def fault_target(self, number: int, masks: Masks) -> int | None:
        """Where a fault or supervisor call goes: itself, escalated to HardFault, or None: lock-up."""
        if self.is_enabled(number) and self.can_preempt(number, masks):
            return number
        return HARD_FAULT if self.can_preempt(HARD_FAULT, masks) else None

    def could_wake(self, masks: Masks) -> set[int]:
        """The external interrupts that are enabled, and that would wake the core if they came."""
        unmasked = masks._replace(primask=0)
        externals = (number for number in self.enabled if number >= FIRST_EXTERNAL)
        return {number for number in externals if self.can_preempt(number, unmasked)}

    # -- entry and return ----------------------------------------------------------------------------

    def activate(self, number: int) -> None:
        """The exception is taken."""
        self.pending.discard(number)
        if number in self.active:
            self.active.remove(number)
        self.active.append(number)
        self.handler = number

    def deactivate(self, number: int) -> None:
        """Its handler returns; a line that is still high makes it pending again."""
        if number in self.active:
            self.active.remove(number)
        if number in self._lines:
            self.pending.add(number)
            self.uncleared[number] = self.uncleared.get(number, 0) + 1

    def state(self) -> tuple[object, ...]:
        """Everything that decides what is taken next."""
        return (
            frozenset(self.pending),
            frozenset(self.enabled),
            tuple(self.active),
            self.handler,
            frozenset(self._lines),
            self.group_split,
            tuple(sorted(self._priorities.items())),
        )


ENABLE_SET, ENABLE_CLEAR, PENDING_SET, PENDING_CLEAR = 0xE000_E100, 0xE000_E180, 0xE000_E200, 0xE000_E280
ACTIVE_BITS, TARGETS, PRIORITIES, END = 0xE000_E300, 0xE000_E380, 0xE000_E400, 0xE000_E800

BANK = 0x80
"""Bytes for one kind of bits, of which the first ``4 * BANKS`` are words of 32 interrupts each."""
BANKS = 16


class InterruptRegisters:
    """The words of one core's controller.  ``has_targets`` says that an interrupt can be given to Non-secure state."""

    def __init__(self, interrupts: Interrupts, has_targets: bool) -> None:
        self._interrupts, self._has_targets = interrupts, has_targets
        self._targets: dict[int, int] = {}

    def reset(self) -> None:
        """As after a reset of the core; the exceptions themselves are reset elsewhere."""
        self._targets.clear()

    def state(self) -> tuple[object, ...]:
        """What the exceptions' own state does not say."""
        return tuple(sorted(self._targets.items()))

    def is_given(self, number: int) -> bool:
        """Whether exception ``number`` is an interrupt that was given to Non-secure state."""
        word, bit = divmod(number - FIRST_EXTERNAL, 32)
        return bool(self._targets) and word >= 0 and bool(self._targets.get(TARGETS + 4 * word, 0) >> bit & 1)

    def read(self, address: int) -> int:
        """The word at ``address``."""
        if address >= PRIORITIES:
            return self.priorities(FIRST_EXTERNAL + address - PRIORITIES)
        if address >= TARGETS:
            return self._targets.get(address, 0)
        first = FIRST_EXTERNAL + 8 * (address % BANK)
        numbers: Iterable[int] = self._interrupts.enabled
        if address >= ACTIVE_BITS:
            numbers = self._interrupts.active
        elif address >= PENDING_SET:
            numbers = self._interrupts.pending
        return sum({1 << number - first for number in numbers if 0 <= number - first < 32})

    def write(self, address: int, value: int, mask: int) -> None:
        """Write the bits ``mask`` of the word at ``address``."""
        if address >= PRIORITIES:
            self.set_priorities(FIRST_EXTERNAL + address - PRIORITIES, value, mask)
            return
        if address >= TARGETS:
            first = FIRST_EXTERNAL + 8 * (address - TARGETS)
            there = sum(
                1 << bit for bit in range(32) if self._has_targets and self._interrupts.exists(first + bit)
            )
            self._targets[address] = (self._targets.get(address, 0) & ~mask | value) & there
            return
        interrupts, offset = self._interrupts, address % BANK
        if offset >= 4 * BANKS:
            return
        first = FIRST_EXTERNAL + 8 * offset
        chosen = [first + bit for bit in range(32) if value >> bit & 1 and interrupts.exists(first + bit)]
        if address < ENABLE_CLEAR:
            interrupts.enabled.update(chosen)
        elif address < PENDING_SET:
            interrupts.enabled.difference_update(chosen)
        elif address < ACTIVE_BITS:
            for number in chosen:
                (interrupts.pend if address < PENDING_CLEAR else interrupts.unpend)(number)

    def priorities(self, first: int) -> int:
        """The priorities of four exceptions from ``first`` on, as one word."""
        return sum(self._priority(first + byte) << 8 * byte for byte in range(4))

    def set_priorities(self, first: int, value: int, mask: int) -> None:
        """Set those of the four priorities whose bytes are in ``mask``."""
        for byte in range(4):
            if mask >> 8 * byte & 0xFF:
                self._interrupts.set_priority(first + byte, value >> 8 * byte & 0xFF)

    def _priority(self, number: int) -> int:
        return self._interrupts.priority(number) & 0xFF if self._interrupts.exists(number) else 0
