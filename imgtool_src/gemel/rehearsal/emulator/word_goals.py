"""Words of memory that are to take a value, looked at where a core writes them: another write may follow soon."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from gemel.rehearsal.plan import GoalPlan
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.backing import Backing
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

WORD, DOUBLE_WORD = 4, 8
"""Bytes of a goal's word, and of the longest write, which may begin in front of it."""


class WordGoals:
    """The words among ``goals``; ``reach(index, pc)`` is called once for each, by the write that reaches it."""

    def __init__(
        self,
        goals: tuple[GoalPlan, ...],
        cores: Mapping[str, EmulatedCore],
        memories: Mapping[str, Backing],
        reach: Callable[[int, int | None], None],
    ) -> None:
        self._sought = {index: goal.word for index, goal in enumerate(goals) if goal.word}
        self._memories, self._reach = memories, reach
        for core in cores.values():
            for index, (memory, offset, _, _) in self._sought.items():
                for window in core.plan.windows:
                    if window.memory == memory:
                        self._watch(core, index, window.start + offset)

    def _watch(self, core: EmulatedCore, index: int, start: int) -> None:
        import unicorn

        def written(uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
            if access != unicorn.UC_MEM_WRITE or index not in self._sought:
                return
            memory, offset, _, _ = self._sought[index]
            held = bytearray(self._memories[memory].read(offset, WORD))
            for at, byte in enumerate(
                (value & (1 << 8 * size) - 1).to_bytes(size, "little"), address - start
            ):
                if 0 <= at < WORD:
                    held[at] = byte
            self._compare(index, int.from_bytes(held, "little"), core.registers.pc & ~1)

        first = max(0, start - DOUBLE_WORD + 1)
        core.bus.watch_memory(written, None, Span.from_bounds(first, start + WORD))

    def look(self) -> None:
        """Compare what no write of a core need have changed: values of the start, flash that is programmed."""
        for index, (memory, offset, _, _) in list(self._sought.items()):
            self._compare(index, self._memories[memory].word(offset), None)

    def _compare(self, index: int, found: int, pc: int | None) -> None:
        _, _, value, mask = self._sought[index]
        if found & mask == value & mask:
            del self._sought[index]
            self._reach(index, pc)
