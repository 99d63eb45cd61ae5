"""The registers of the interrupt controller at 0xE000_E100..0xE000_E7FF: enabled, pending, active, priorities.

Armv6-M, Armv7-M and Armv8-M architecture reference manuals, "Nested Vectored Interrupt Controller" (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable

from gemel.rehearsal.emulator.system_space.interrupts import FIRST_EXTERNAL, Interrupts

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
