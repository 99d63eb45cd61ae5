"""The float unit as the system space has it: whether it is on, and what exceptions keep of its registers.

Armv7-M and Armv8-M architecture reference manuals, "Floating-point extension" (from memory).
"""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.plan import CorePlan

COPROCESSORS = 0xE000_ED88
FLOAT_CONTEXT, FLOAT_FRAME_ADDRESS, FLOAT_DEFAULTS = 0xE000_EF34, 0xE000_EF38, 0xE000_EF3C
FLOAT_UNIT = 0xF << 20
FLOAT_UNIT_ON = (0xF << 20, 0x5 << 20)
"""Full access, and access for privileged code."""

KEEP_FLOAT, LAZY_FLOAT, SECURE_CONTEXT, LAZY_ACTIVE = 1 << 31, 1 << 30, 1 << 2, 1 << 0


class FloatUnit:
    """That of one core, whose registers are among ``words``; ``used`` says whether the running code has used it."""

    def __init__(self, words: dict[int, int], plan: CorePlan, used: Callable[[], bool]) -> None:
        self._words, self._used = words, used
        words[FLOAT_CONTEXT] = KEEP_FLOAT | LAZY_FLOAT if plan.has_float else 0

    @property
    def is_on(self) -> bool:
        """Whether code may use it."""
        return self._words.get(COPROCESSORS, 0) & FLOAT_UNIT in FLOAT_UNIT_ON

    @property
    def may_restore(self) -> bool:
        """Whether a return may unstack its registers: it is on, or they were never stacked."""
        return self.is_on or bool(self._words[FLOAT_CONTEXT] & LAZY_ACTIVE)

    @property
    def keeps(self) -> bool:
        """Whether an exception keeps the registers of code that uses it."""
        return bool(self._words[FLOAT_CONTEXT] & KEEP_FLOAT)

    @property
    def context(self) -> tuple[bool, int]:
        """Whether float code gets a context of its own that exceptions keep, and FPSCR at its first instruction."""
        return self.keeps, self._words.get(FLOAT_DEFAULTS, 0)

    def save(self) -> None:
        """Stack what was put off, where the running code used the unit."""
        if self._words[FLOAT_CONTEXT] & LAZY_ACTIVE and self._used():
            self._words[FLOAT_CONTEXT] &= ~LAZY_ACTIVE

    def set_lazy_frame(self, address: int | None) -> None:
        """A frame with room for the registers was stacked at ``address``, or (None) is no longer open."""
        context = self._words[FLOAT_CONTEXT] & ~LAZY_ACTIVE
        if address is not None:
            self._words[FLOAT_FRAME_ADDRESS] = address
            if context & LAZY_FLOAT:
                context |= LAZY_ACTIVE
        self._words[FLOAT_CONTEXT] = context

    def read_context(self) -> int:
        """FPCCR as code reads it."""
        self.save()
        return self._words[FLOAT_CONTEXT]
