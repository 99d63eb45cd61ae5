"""The calls that lead to where a core is, from a hook on each block: slow, for what matters."""

from __future__ import annotations

from collections.abc import Callable

from gemel.m_profile.halfwords import instructions, is_call

MAX_FRAMES = 64
"""Calls kept; of a deeper recursion the innermost ones count."""


class CallStack:
    """Follows one core block by block.

    ``calls`` holds (address of the call, return address), outermost first.  A return is seen when a block
    begins at a return address, so that tail calls and long jumps do no harm.
    """

    def __init__(self, read: Callable[[int, int], bytes]) -> None:
        """``read(address, size)`` gives the code."""
        self.calls: list[tuple[int, int]] = []
        self._read = read
        self._starts: dict[tuple[int, int], tuple[tuple[int, ...], bool]] = {}
        self._block: tuple[int, int] | None = None

    def enter_block(self, address: int, size: int) -> None:
        """The core is about to execute the block of ``size`` bytes at ``address``."""
        if self._block:
            starts, calls = self._decoded(*self._block)
            if calls:
                end = self._block[0] + self._block[1]
                if not self._block[0] < address <= end:  # else it goes on where a run had stopped
                    self._append(self._block[0] + starts[-1], end)
        for depth in range(len(self.calls) - 1, -1, -1):
            if self.calls[depth][1] == address:
                del self.calls[depth:]
                break
        self._block = (address, size)

    def enter_exception(self, interrupted: int) -> None:
        """An exception was taken at ``interrupted``, or one was chained to another that was taken there."""
        if self.calls[-1:] != [(interrupted, interrupted)]:
            self._append(interrupted, interrupted)
        self._block = None

    def _append(self, call: int, return_address: int) -> None:
        self.calls.append((call, return_address))
        del self.calls[:-MAX_FRAMES]

    def _decoded(self, address: int, size: int) -> tuple[tuple[int, ...], bool]:
        known = self._starts.get((address, size))
        if known is None:
            listed = list(instructions(self._read(address, size)))
            starts = tuple(at for at, _, _ in listed)
            calls = bool(listed) and is_call(*listed[-1][1:])
            known = self._starts[address, size] = starts, calls
        return known
