"""The stacks of a core: how far each was used, and the limits that the core itself holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.emulated_core import EmulatedCore

NEAR = 4096
"""Stack pointers no further apart than this are taken to be of one stack."""

MAX_STACKS = 64


class StackWatch:
    """What was seen of a core's stack pointers.

    ``lowest_main`` is the lowest main stack pointer seen; ``process_stacks`` holds the highest and lowest
    pointer of each process stack.  They are looked at whenever a run stops and at each exception.
    """

    def __init__(self, core: EmulatedCore) -> None:
        self._core = core
        self.lowest_main: int | None = None
        self.process_stacks: list[list[int]] = []

    def look(self) -> None:
        """Look at both stack pointers."""
        main, process = self._core.registers.stacks
        self._saw_main(main)
        if process and not self._core.on_main_stack:
            self._saw_process(process)

    def _saw_main(self, pointer: int) -> None:
        top = self._core.initial_stack
        if top is None or pointer > top:
            return
        if self.lowest_main is None or pointer < self.lowest_main:
            self.lowest_main = pointer

    def _saw_process(self, pointer: int) -> None:
        for stack in self.process_stacks:
            if stack[1] - NEAR <= pointer <= stack[0] + NEAR:
                stack[0], stack[1] = max(stack[0], pointer), min(stack[1], pointer)
                return
        if len(self.process_stacks) < MAX_STACKS:
            self.process_stacks.append([pointer, pointer])

    def limit_above(self, frame: int, stack: int, process: bool, return_address: int) -> int | None:
        """The limit register that a ``frame`` would be below; None if there is none."""
        core = self._core
        if core.blocks.sets_limits:
            limit = core.registers.stack_limits()[1 if process else 0]
            if frame < limit <= stack:
                return limit
        limit = core.plan.stack_limit or 0
        if not process:
            self._saw_main(frame)
            if frame < limit <= stack:
                core.report(
                    "below-stack-limit", return_address, {"address": frame, "limit": limit, "stack": frame}
                )
        else:
            self._saw_process(frame)
        return None
