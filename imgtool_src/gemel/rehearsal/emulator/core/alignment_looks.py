"""Looks at the addresses of instructions that must be aligned, which the library lets pass unaligned.

A callback looks at each for so many times that loops over data of any alignment are seen and none is slowed down for
long.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from gemel.rehearsal.emulator.core.native import block_function
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

MAX_LOOKS = 64
"""Times that the addresses of one instruction are looked at."""


class MustAlign(NamedTuple):
    """An instruction, its halfwords ``code``, whose base register must be a multiple of ``size``.

    In an if-then block, in which the emulator does not stop, ``at`` is the block and ``condition`` its own condition.
    """

    at: int
    address: int
    code: tuple[int, int]
    base: int
    size: int
    condition: int | None


class AlignmentLooks:
    """The instructions of one core that are looked at, by where that is done."""

    def __init__(self, core: EmulatedCore) -> None:
        self._core = core
        self._left: dict[int, int] = {}
        self._hooks: dict[int, int] = {}
        self._instructions: dict[int, dict[int, MustAlign]] = {}
        self._call = block_function(self._look)

    def begin(self, instruction: MustAlign) -> None:
        """Look at this instruction from now on; not from a callback."""
        at = instruction.at
        self._instructions.setdefault(at, {})[instruction.address] = instruction
        if at not in self._hooks:
            self._left[at] = MAX_LOOKS
            self._hooks[at] = self._core.native.at_instruction(at, self._call)

    def _look(self, uc: int, at: int, size: int, data: object) -> None:
        """From a callback: an address that is not aligned is a fault of the instruction, which is not executed."""
        core = self._core
        self._left[at] -= 1
        for each in self._instructions[at].values():
            base = core.registers.quickly(each.base)
            if not base % each.size or core.instruction(each.address) != each.code:
                continue
            if each.condition is None or core.registers.holds(each.condition):
                numbers = {"address": base, "size": each.size}
                core.faults.after_run.append(partial(core.fault, "alignment-fault", each.address, numbers))
                core.stop_before(at)
                return
        if not self._left[at]:
            core.faults.after_run.append(partial(self._end, at))
            core.native.stop_soon()

    def _end(self, at: int) -> None:
        self._core.native.unhook(self._hooks.pop(at))
        self._core.native.uc.ctl_remove_cache(at, at + 2)
