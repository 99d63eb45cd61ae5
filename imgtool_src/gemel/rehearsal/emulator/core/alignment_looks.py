"""Looks at the addresses of instructions that must be aligned, which the library lets pass unaligned.

A callback looks at each for so many times that loops over data of any alignment are seen and none is slowed down for
long.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from gemel.rehearsal.emulator.core.instruction_needs import sets_flags_in_block
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
                core.faults.after_run.append(partial(self._fault, each))
                core.stop_before(at)
                return
        if not self._left[at]:
            core.faults.after_run.append(partial(self._end, at))
            core.native.stop_soon()

    def _fault(self, each: MustAlign) -> None:
        """Fault at the instruction, in the state that it finds."""
        core = self._core
        if each.condition is None or self._go_into_block(each):
            base = core.registers.value(each.base)
            if base % each.size:
                core.fault("alignment-fault", each.address, {"address": base, "size": each.size})

    def _go_into_block(self, each: MustAlign) -> bool:
        """Execute what is before an instruction in its if-then block; False where something else ends the way."""
        core, registers = self._core, self._core.registers
        core.pc += 2
        core.time += 1
        core.instructions += 1
        registers.if_then = core.instruction(each.at)[0] & 0xFF
        while core.pc < each.address:
            at, state = core.pc, registers.if_then
            if not registers.skips_next and not self._execute_outside(at, state):
                return False
            core.skip_instruction(at)
        return core.pc == each.address

    def _execute_outside(self, at: int, state: int) -> bool:
        """Execute an instruction of an if-then block, in which the emulator does not stop, outside of it."""
        core, registers = self._core, self._core.registers
        first, second = core.instruction(at)
        flags, registers.if_then = registers.flags, 0
        core.blocks.suspect = None
        done = core.go(1)
        core.blocks.suspect = core.pc
        if done:
            core.pc = at
            if not (second or sets_flags_in_block(first)):
                registers.flags = flags
            registers.if_then = state
        return done

    def _end(self, at: int) -> None:
        self._core.native.unhook(self._hooks.pop(at))
        self._core.native.uc.ctl_remove_cache(at, at + 2)
