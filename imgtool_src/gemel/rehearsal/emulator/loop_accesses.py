"""What a core reads and writes in a loop."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from gemel.rehearsal.emulator.system_space.memory_protection import PRIVATE
from gemel.rehearsal.emulator.tick_probe import is_own

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

OWN_FRAME = 256
"""Bytes from the stack pointer on in which a core that polls a register has variables of its own."""

CALLS = 1024
"""Bytes below the stack pointer that calls use."""


class Accesses:
    """What a core reads in a loop: ``read`` all bytes of RAM, ``own`` the first of its own registers.

    ``changed`` are the bytes to which it gives another value, and registers that it writes; ``elsewhere``: whether it
    reads what is no memory.
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core, self._within, self._stack = core, core.interrupts.handler, core.registers.stack
        self.read: set[int] = set()
        self.own: int | None = None
        self.elsewhere = False
        self._words: dict[int, None] = {}
        self.changed: set[int] = set()

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Look at what the core does meanwhile."""
        import unicorn

        core = self._core
        kinds = unicorn.UC_HOOK_MEM_READ | unicorn.UC_HOOK_MEM_WRITE
        self._write = unicorn.UC_MEM_WRITE
        hook = core.native.at_accesses(kinds, self._on_access)
        core.native.uc.ctl_flush_tb()
        yield
        core.native.unhook(hook)

    def _on_access(self, uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
        located = self._core.bus.locate(address)
        by_loop = self._core.interrupts.handler == self._within  # not by an interrupt that comes meanwhile
        if access == self._write:
            before = int.from_bytes(self._core.bus.read_bytes(address, size), "little")
            # Clearing a flag that is clear changes nothing; a write to a register may.
            if by_loop and (located is None or before != value & (1 << 8 * size) - 1):
                self.changed.update(range(address, address + size))
        elif located and located[0].plan.kind == "ram":
            self.read.update(range(address, address + size))
            if by_loop:
                self._words.setdefault(address)
        elif located is None:
            self.elsewhere = True
            if PRIVATE.holds(address) and self.own is None:
                self.own = address

    @property
    def only_counts(self) -> bool:
        """Whether all RAM that the loop reads it changes itself, as its counters."""
        return bool(self._words) and self.awaited is None

    @property
    def awaited(self) -> int | None:
        """The first word of RAM that the loop reads and does not change; one in a frame if there is no other."""
        words = [each for each in self._words if each not in self.changed]
        return min(words, key=self.is_in_frame, default=None)

    def is_in_frame(self, address: int) -> bool:
        """Whether it is a variable of the function's own."""
        return 0 <= address - self._stack < OWN_FRAME

    def is_on_stack(self, address: int) -> bool:
        """Whether it is a variable of the function's own, or of what it calls."""
        return -CALLS <= address - self._stack < OWN_FRAME and is_own(self._core, address)
