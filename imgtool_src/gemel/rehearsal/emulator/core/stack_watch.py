"""The stacks of a core: how far each was used, and the limits that the core itself holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.m_profile.instructions.memory_accesses import SP, memory_access
from gemel.rehearsal.plan import FIRST_PUSH

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

NEAR, ABOVE = 1 << 16, 1 << 12
"""A stack pointer that moves further down, or above the top that is known, has gone to another stack."""

FRAMES = (32, 36, 104, 108)
"""Bytes of an exception frame; a handler that puts one more below the last one stays on that stack."""

MAX_STACKS = 64

MAX_BELOW = 256
"""Bytes below a stack pointer that one instruction, or one exception frame, reaches at most."""


class StackWatch:
    """What was seen of a core's stack pointers.

    ``lowest_main`` is the lowest main stack pointer seen; ``process_stacks`` holds the highest and lowest
    pointer of each process stack, and when and where that was lowest.  They are looked at whenever a run stops, at
    each exception and where code comes to a block for the first time.
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core = core
        self.lowest_main: int | None = None
        self.process_stacks: list[list[int]] = []
        self._current: list[int] | None = None
        self.left: dict[int, tuple[list[int], int, int]] = {}
        """The process stacks that thread code is not on, by the frame that it left there: when, and at which place."""
        self._last_left = self._set = 0
        self._handlers: dict[int, tuple[int, int]] = {}
        """The main stack below each pointer with which handlers interrupted a process stack: lowest, and where."""
        self._handler_from = 0

    def look(self) -> None:
        """Look at both stack pointers; of code without privilege the library gives the one in use alone."""
        main, process = self._core.stacks
        if not main and self._core.unprivileged:
            main = process = self._core.registers.stack
            main = main if self._core.on_main_stack else 0
        if main:
            self._saw_main(main)
        if process and not self._core.on_main_stack:
            self._saw_process(process)

    def handler_begins(self, pointer: int) -> None:
        """A handler interrupts thread code on a process stack, with this main stack pointer; 0: no such one goes on."""
        self._handler_from = pointer

    def _saw_main(self, pointer: int, at: int | None = None) -> None:
        core, began = self._core, self._handler_from
        top = core.initial_stack
        if top is None or pointer > top or core.stack_moves.elsewhere:
            return
        kept = began in self._handlers or len(self._handlers) < MAX_STACKS
        if core.interrupts.handler and kept and pointer < self._handlers.get(began, (began, 0))[0]:
            self._handlers[began] = pointer, core.pc if at is None else at
        if self.lowest_main is None or pointer < self.lowest_main:
            self.lowest_main = pointer

    def _saw_process(self, pointer: int, at: int | None = None) -> None:
        stack = self._current
        if stack is None or not stack[1] - NEAR <= pointer <= stack[0] + ABOVE:
            stack = self._current = self._of(pointer)
        if pointer < stack[1] and not self._is_refused(pointer):
            stack[1:] = pointer, self._core.now(), self._core.pc if at is None else at
        stack[0] = max(stack[0], pointer)

    def _is_refused(self, pointer: int) -> bool:
        """Whether the core's own limit is above: what would use the stack there faults."""
        return self._core.blocks.sets_limits and pointer < self._core.registers.stack_limits()[1]

    def _of(self, pointer: int) -> list[int]:
        """The stack that a pointer is in: one that was left there, one that reached over it, or a new one."""
        for stack in self.process_stacks:
            if stack[1] <= pointer <= stack[0]:
                return stack
        top = self._set if 0 <= self._set - pointer <= FIRST_PUSH else pointer
        stack = [top, pointer, self._core.now(), self._core.pc]
        if len(self.process_stacks) < MAX_STACKS:
            self.process_stacks.append(stack)
        return stack

    def comes_to_block(self, at: int) -> None:
        """From a callback: code may use more of its stack than where it is looked at else."""
        if not self._core.on_main_stack:
            self._saw_process(self._core.registers.stack, at)
        elif self._core.interrupts.handler:
            self._saw_main(self._core.registers.stack, at)

    def sets(self, process: int) -> None:
        """Code has set the process stack pointer; thread code on the main stack may go there next."""
        if self._core.on_main_stack and not self._core.interrupts.handler:
            self._set = process

    def leaves(self, frame: int, place: int) -> None:
        """Thread code on a process stack is interrupted at ``place``, with its exception frame at ``frame``."""
        self._saw_process(frame)
        if self._current is not None:
            self.left[frame] = self._current, self._core.time, place
            self._last_left = frame

    def resumes(self, frame: int, pointer: int) -> None:
        """Thread code goes on with the frame at ``frame``, its stack pointer then being ``pointer``."""
        put_below = self._current if self._last_left - frame in FRAMES else None
        left = self.left.pop(frame, None)
        self._current = left[0] if left else put_below or self._of(frame)
        if left:
            self._met(frame, *left[:2])
        self._saw_process(pointer)

    def faults(self) -> None:
        """A fault: perhaps of the return to what was left on the process stack that is set."""
        frame = self._core.registers.stacks[1]
        if frame in self.left:
            self._met(frame, *self.left[frame][:2])

    def _met(self, frame: int, stack: list[int], left_at: int) -> None:
        """Report what has used bytes of a stack, in use from ``frame`` on, since thread code left it at ``left_at``."""
        for began, (low, at) in self._handlers.items():
            # Of stacks that were set one by one a main stack may be in between.
            top = stack[0] if stack[0] <= began else frame + FRAMES[0]
            if frame < began and low < top:
                self._report(stack, frame, low, began, at, "its main stack")
        for high, low, time, at in self.process_stacks:
            if low < stack[0] < high and time > left_at:
                self._report(stack, frame, low, high, at, "another process stack")

    def _report(self, stack: list[int], frame: int, low: int, high: int, at: int, other: str) -> None:
        numbers = {"stack": stack[0], "frame": frame, "low": low, "high": high}
        self._core.report("stacks-overlap", at, numbers, {"other": other})

    def switches(self, before: int, after: int) -> None:
        """Thread code moves its process stack pointer to another stack, as a kernel without exceptions does."""
        self.leaves(before, self._core.registers.pc & ~1)
        self.resumes(after, after)

    def in_use(self) -> dict[str, int]:
        """``pointer`` and ``top``, the highest address known, of the stack in use; whether it is a ``process`` one."""
        core = self._core
        pointer = core.registers.stack
        if core.on_main_stack:
            top = core.stack_moves.began if core.stack_moves.elsewhere else core.initial_stack or 0
            return {"pointer": pointer, "top": top, "process": 0}
        stack = self._current
        near = stack is not None and stack[1] - NEAR <= pointer <= stack[0] + NEAR
        return {"pointer": pointer, "top": stack[0] if stack and near else pointer, "process": 1}

    def accessed(self, at: int, address: int) -> dict[str, int]:
        """Which stack the load or store at ``at``, which is to be executed, reaches ``address`` by; empty if none.

        A handler that saves registers of thread code has the process stack pointer in another register.
        """
        core = self._core
        access = memory_access(*core.instruction(at))
        if access is None:
            return {}
        if access.base == SP:
            return self.in_use()
        process = core.registers.stacks[1]
        pushes = not access.loads and access.writeback is not None and core.interrupts.handler
        if pushes and 0 < (process - address) & 0xFFFF_FFFF <= MAX_BELOW:
            return {"pointer": process, "top": process, "process": 1}
        return {}

    def limit_above(self, frame: int, stack: int, process: bool, return_address: int) -> int | None:
        """The limit register that a ``frame`` would be below; None if there is none."""
        core = self._core
        if core.blocks.sets_limits:
            limit = core.registers.stack_limits()[1 if process else 0]
            if frame < limit:
                return limit
        limit = core.plan.stack_limit or 0
        if not process:
            self._saw_main(frame)
            if frame < limit <= stack and not core.stack_moves.elsewhere:
                core.report(
                    "below-stack-limit", return_address, {"address": frame, "limit": limit, "stack": frame}
                )
        else:
            self.leaves(frame, return_address)
        return None
