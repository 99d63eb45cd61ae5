"""A device register as one core uses it."""

from __future__ import annotations

from collections.abc import Callable

Reader = Callable[[str], int]
Writer = Callable[[str, int, int], None]
"""What a register reads for a core; what is done with the bits that one writes, and which they are."""

WORD = 0xFFFF_FFFF

KEPT_WRITES = 32
"""Writes of each register by each core of which the values are kept: enough for keys, commands, a line of text."""


class RegisterPort:
    """One register as one core uses it, with how it did.

    ``last_value`` is the last value read or written, ``first_pc`` where the core first touched it, ``ones`` the bits
    that were ever written as one, ``last_written`` what was last.
    """

    __slots__ = (
        *("_before", "_core", "_writer", "first_pc", "last_value", "reader", "reads", "writes"),
        *("ones", "last_written", "_note"),
    )

    def __init__(
        self,
        core: str,
        reader: Reader | None,
        writer: Writer | None,
        first_pc: int,
        before: Callable[[], None] | None,
        note: Callable[[int], None] = lambda value: None,
    ) -> None:
        """``before`` is called at each access, where there is something to say of it; ``note`` with what is written."""
        self._core, self.reader, self._writer, self._before = core, reader, writer, before
        self.reads = self.writes = self.last_value = self.ones = self.last_written = 0
        self.first_pc, self._note = first_pc, note

    def read(self, byte: int, size: int) -> int:
        """``size`` bytes of it from ``byte`` on."""
        if self._before is not None:
            self._before()
        self.reads += 1
        reader = self.reader
        value = reader(self._core) if reader is not None else 0
        if size != 4:
            value = value >> 8 * byte & ((1 << 8 * size) - 1)
        self.last_value = value
        return value

    def write(self, byte: int, size: int, value: int) -> None:
        """Write ``size`` bytes of it from ``byte`` on."""
        if self._before:
            self._before()
        self.writes += 1
        self.last_value = value
        self.last_written = value << 8 * byte
        self.ones |= self.last_written
        if self.writes <= KEPT_WRITES:
            self._note(self.last_written)
        if self._writer:
            mask = ((1 << 8 * size) - 1) << 8 * byte & WORD
            self._writer(self._core, value << 8 * byte & mask, mask)
