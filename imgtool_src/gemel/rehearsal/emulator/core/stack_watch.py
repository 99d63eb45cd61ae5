"""The stacks of a core: how far each was used, and the limits that the core itself holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.m_profile.memory_accesses import SP, memory_access
from gemel.rehearsal.plan import FIRST_PUSH

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

NEAR = 1 << 16
"""A stack pointer that moves further without an exception has gone to another stack."""

FRAMES = (32, 36, 104, 108)
"""Bytes of an exception frame; a handler that puts one more below the last one stays on that stack."""

MAX_STACKS = 64

MOST_BELOW = 256
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
        self._left: dict[int, list[int]] = {}
        self._last_left = self._set = 0

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

    def _saw_main(self, pointer: int) -> None:
        top = self._core.initial_stack
        if top is None or pointer > top or self._core.stack_moves.elsewhere:
            return
        if self.lowest_main is None or pointer < self.lowest_main:
            self.lowest_main = pointer

    def _saw_process(self, pointer: int, at: int | None = None) -> None:
        stack = self._current
        if stack is None or not stack[1] - NEAR <= pointer <= stack[0] + NEAR:
            stack = self._current = self._of(pointer)
        if pointer < stack[1]:
            stack[1:] = pointer, self._core.now(), self._core.pc if at is None else at
        stack[0] = max(stack[0], pointer)

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
        """From a callback: code may use more of its process stack than where it is looked at else."""
        if not self._core.on_main_stack:
            self._saw_process(self._core.registers.stack, at)

    def sets(self, process: int) -> None:
        """Code has set the process stack pointer; thread code on the main stack may go there next."""
        if self._core.on_main_stack and not self._core.interrupts.handler:
            self._set = process

    def leaves(self, frame: int) -> None:
        """Thread code on a process stack is interrupted, with its exception frame at ``frame``."""
        self._saw_process(frame)
        if self._current is not None:
            self._left[frame] = self._current
            self._last_left = frame

    def resumes(self, frame: int, pointer: int) -> None:
        """Thread code goes on with the frame at ``frame``, its stack pointer then being ``pointer``."""
        put_below = self._current if self._last_left - frame in FRAMES else None
        self._current = self._left.pop(frame, None) or put_below or self._of(frame)
        self._saw_process(pointer)

    def switches(self, before: int, after: int) -> None:
        """Thread code moves its process stack pointer to another stack, as a kernel without exceptions does."""
        self.leaves(before)
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
        if pushes and 0 < (process - address) & 0xFFFF_FFFF <= MOST_BELOW:
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
            self.leaves(frame)
        return None
