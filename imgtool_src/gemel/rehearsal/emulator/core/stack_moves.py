"""Where code takes a stack pointer to another stack: MOV of what comes from no stack pointer, LDR, MSR.

A stack that grows, by whatever instruction, gets a pointer that is computed from the old one.  It drops its two lowest
bits too; that is looked at so many times as alignment is, since nearly all code keeps it aligned.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from gemel.m_profile.instructions.computed_addresses import registers_read, registers_set
from gemel.m_profile.instructions.halfwords import CALLER_SAVED, instructions, is_call
from gemel.m_profile.instructions.memory_accesses import SP, memory_access
from gemel.rehearsal.emulator.core.alignment_looks import MAX_LOOKS
from gemel.rehearsal.emulator.core.instruction_needs import (
    IF_THEN_SPAN,
    if_then_conditions,
    may_unalign_stack,
    moved_to_stack,
    sets_stack_pointer,
)
from gemel.rehearsal.emulator.core.native import block_function

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

MOVE_WIDE = 0xF240
"""MOVW, which reads no register."""

REACH = 64
"""Bytes of code before a MOV that are looked at for where its value comes from."""


class StackMoves:
    """The instructions of one core that move a stack pointer; ``elsewhere`` after the last that moved the main one."""

    def __init__(self, core: EmulatedCore) -> None:
        self._core = core
        self._call, self._call_growth = block_function(self._moves), block_function(self._grows)
        self._call_after = block_function(self._follows)
        self._left: dict[int, int] = {}
        self._hooks: dict[int, int] = {}
        self.elsewhere = False
        """Whether the main stack pointer is on another stack than the one that the core started with."""
        self.began = 0
        """What it was moved to last."""

    def begin(self, at: int) -> None:
        """Follow the instruction at ``at``, for a time only where the stack grows by it; not from a callback."""
        first, second = self._core.instruction(at)
        before = self._core.bus.read_bytes(at - REACH, REACH)
        moved = moved_to_stack(first, second)
        if (moved is not None and comes_from_stack(before, moved)) or may_unalign_stack(first, second):
            self._left[at] = MAX_LOOKS
            self._hooks[at] = self._core.native.at_instruction(at, self._call_growth)
        else:
            self._core.native.at_instruction(at, self._call)
        after = at + (4 if second else 2)
        while _is_in_block(self._core.bus.read_bytes(after - IF_THEN_SPAN, IF_THEN_SPAN)):
            self._core.native.at_instruction(after, self._call_after)
            after += 4 if self._core.instruction(after)[1] else 2

    def _follows(self, uc: int, at: int, size: int, data: object) -> None:
        """From a callback: in an if-then block, where the core does not stop, another instruction comes."""
        registers = self._core.registers
        if registers.stack & 3:
            registers.stack &= ~3

    def _grows(self, uc: int, at: int, size: int, data: object) -> None:
        """From a callback: the stack pointer is about to get a value that is computed from it."""
        core = self._core
        first, second = core.instruction(at)
        moved = moved_to_stack(first, second)
        if self.elsewhere and moved is not None and core.on_main_stack:
            self._takes_main_to(core.registers.quickly(moved))
        self._left[at] -= 1
        if self._left[at] < 0:
            core.faults.after_run.append(partial(self._end, at))
            core.stop_soon()
        elif self._adds_odd(first, second):
            self._align()

    def _adds_odd(self, first: int, second: int) -> bool:
        """Whether the instruction adds, or moves, what is no multiple of four."""
        if not second:
            number, shift = first >> 3 & 15, 0
        elif first & 0xFE00 == 0xEA00:  # ADD, SUB and MOV of a register
            number, shift = second & 15, second >> 6 & 3
        else:
            return True
        return bool(self._core.registers.value(number) << shift & 3)

    def _end(self, at: int) -> None:
        self._core.native.unhook(self._hooks.pop(at))
        self._core.native.uc.ctl_remove_cache(at, at + 2)

    def _align(self) -> None:
        """From a callback: take the bits, which the library keeps, from what the instruction sets."""
        self._core.faults.after_run.append(self._core.registers.align_stacks)
        self._core.stop_soon()

    def _moves(self, uc: int, at: int, size: int, data: object) -> None:
        """From a callback: the stack pointer is about to be moved."""
        core = self._core
        first, second = core.instruction(at)
        of_main = core.on_main_stack
        if sets_stack_pointer(first, second):
            pointer: int | None = core.registers.quickly(first & 15)
            of_main = True
        elif (moved := moved_to_stack(first, second)) is not None:
            pointer = core.registers.quickly(moved)
        else:
            pointer = core.bus.read_word(self._loaded_from(at, first, second))
        if pointer is None:
            return
        if pointer & 3:
            self._align()
            pointer &= ~3
        if core.calls is not None and not core.interrupts.handler and of_main == core.on_main_stack:
            core.calls.switch(core.registers.stack, pointer)
        if not of_main:
            core.stack_watch.switches(core.registers.stack, pointer)
        else:
            self._takes_main_to(pointer)

    def _takes_main_to(self, pointer: int) -> None:
        """The main stack pointer gets a value that may be of another stack; one that is its limit is the top of one."""
        limit, top = self._core.plan.stack_limit or 0, self._core.initial_stack or 0
        self.elsewhere, self.began = not limit < pointer <= top, pointer
        self._core.stack_watch.handler_begins(0)

    def _loaded_from(self, at: int, first: int, second: int) -> int:
        """The address of LDR of the stack pointer."""
        access, read = memory_access(first, second), self._core.registers.quickly
        if access is None:
            return (at + 4 & ~3) + (second & 0xFFF if first & 0x80 else -(second & 0xFFF))
        by = 0 if access.by is None else read(access.by) << access.shift
        return read(access.base) + access.offset + by & 0xFFFF_FFFF


def _is_in_block(before: bytes) -> bool:
    """Whether the code ``before`` may be that of an if-then block which goes on after it."""
    for begin in range(0, len(before), 2):
        code = [first for _, first, _ in instructions(before[begin:])]
        if code and len(code) <= len(if_then_conditions(code[0])):
            return True
    return False


def comes_from_stack(before: bytes, register: int) -> bool:
    """Whether ``register``, after the code ``before``, is computed from the stack pointer."""
    wanted = {register}
    for first, second in reversed(_code_that_ends(before)):
        if access := memory_access(first, second):
            wanted -= set(access.registers if access.loads else ())
        elif is_call(first, second):
            wanted.difference_update(CALLER_SAVED)
        elif wanted.intersection(target := registers_set(first, second)):
            wanted = wanted.difference(target)
            if first & 0xFBF0 != MOVE_WIDE:
                wanted.update(registers_read(first, second))
        if SP in wanted or not wanted:
            return bool(wanted)
    return False


def _code_that_ends(before: bytes) -> list[tuple[int, int]]:
    """The most instructions that end where ``before`` does."""
    for start in range(0, len(before), 2):
        code = [*instructions(before[start:])]
        if code and code[-1][0] + (4 if code[-1][2] else 2) == len(before) - start:
            return [(first, second) for _, first, second in code]
    return []
