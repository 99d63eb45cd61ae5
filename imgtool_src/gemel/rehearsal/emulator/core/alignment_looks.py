"""Looks at the addresses of instructions that must be aligned, which the library lets pass unaligned.

A callback looks at each for so many times that loops over data of any alignment are seen and none is slowed down for
long.  Divisions that may trap in an if-then block, in which the emulator does not stop, are looked at for good.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from gemel.rehearsal.emulator.core.instruction_needs import sets_flags_in_block
from gemel.rehearsal.emulator.core.native import block_function
from gemel.rehearsal.emulator.system_space.registers import DIVISION_TRAP
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

MAX_LOOKS = 64
"""Times that the addresses of one instruction are looked at."""


class MustAlign(NamedTuple):
    """An instruction, its halfwords ``code``, whose base register must be a multiple of ``size``; with 0, not zero.

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
        instructions = self._instructions[at].values()
        self._left[at] -= all(each.size for each in instructions)
        if self._left[at] < 0:
            core.faults.after_run.append(partial(self._end, at))
            core.native.stop_soon()
        elif any(self._may_fault(each) for each in instructions):
            core.faults.after_run.append(partial(self._go_through, at))
            core.stop_before(at)

    def _may_fault(self, each: MustAlign) -> bool:
        """Whether its address is not aligned, or what is before it in its block may make it so."""
        core = self._core
        if core.instruction(each.address) != each.code:
            return False
        if each.condition is not None and each.address > each.at + 2:
            return True
        wrong = self._is_wrong(each, core.registers.quickly(each.base))
        return wrong and (each.condition is None or core.registers.holds(each.condition))

    def _is_wrong(self, each: MustAlign, value: int) -> bool:
        if each.size:
            return bool(value % each.size)
        return not value and bool(self._core.system.configuration & DIVISION_TRAP)

    def _go_through(self, at: int) -> None:
        """Fault at the first instruction whose address is not aligned, in the state that it finds."""
        core = self._core
        for each in sorted(self._instructions[at].values(), key=lambda each: each.address):
            if core.instruction(each.address) != each.code:
                continue
            if each.condition is not None and not self._go_into_block(each):
                return
            base = core.registers.value(each.base)
            if self._is_wrong(each, base) and not core.registers.skips_next:
                numbers = {"address": base, "size": each.size} if each.size else {}
                core.fault("alignment-fault" if each.size else "division-by-zero", each.address, numbers)
                return

    def _go_into_block(self, each: MustAlign) -> bool:
        """Execute what is before an instruction in its if-then block; False where something else ends the way."""
        core, registers = self._core, self._core.registers
        if core.pc == each.at:
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
        done = core.stops.step(at)
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
