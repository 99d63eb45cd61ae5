"""What is watched in memories: what the cores do to shared areas, in order (for races), and words that are goals."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from gemel.m_profile.instructions.halfwords import instructions
from gemel.rehearsal.emulator.core.instruction_needs import is_ordered
from gemel.rehearsal.plan import DevicePlan, GoalPlan
from gemel.rehearsal.raw_run import RawTrace, TraceEntry
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.backing import Backing
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore


MAX_TRACE = 40_000
"""Entries kept of one run."""

LOOP_AHEAD, MAX_LOOP = 24, 48
"""Bytes after a read in which a branch back to it or before it closes a loop, and bytes of such a loop."""

MAY_PASS = frozenset(
    {"released", "start", "interrupt-raised", "exception-taken", "lock-taken", "lock-given-back"}
)
"""Events by which one core hands something over to another."""


class SharedTrace:
    """Records each access to a shared area; what a core repeats without a change is recorded twice."""

    def __init__(
        self, plan: DevicePlan, cores: Mapping[str, EmulatedCore], memories: Mapping[str, Backing]
    ) -> None:
        import unicorn

        self._unicorn = unicorn
        self._cores = cores
        self._entries: list[TraceEntry] = []
        self._last: dict[str, tuple[TraceEntry, int]] = {}
        self._ordered: dict[tuple[str, int], bool] = {}
        self._dropped = False
        for area, memory, offset, size in plan.shared:
            for core in cores.values():
                for window in core.plan.windows:
                    if window.memory == memory:
                        start = window.start + offset
                        self._watch(core, area, memories[memory], window.start, start, start + size - 1)

    def _watch(
        self, core: EmulatedCore, area: str, memory: Backing, base: int, first: int, last: int
    ) -> None:
        u = self._unicorn

        def called(uc: Any, access: int, address: int, size: int, value: int, data: object) -> None:
            pc = core.registers.pc & ~1
            if access == u.UC_MEM_WRITE:
                kind = "W" if self._is_ordered(core, pc) else "w"
                value &= (1 << 8 * size) - 1
            else:
                value = int.from_bytes(memory.read(address - base, size), "little")
                last, times = self._last.get(core.plan.name, (None, 0))
                if times > 2 and last is not None and last[2:] == (pc, area, address - first, size, value):
                    return
                kind = "R" if self._is_ordered(core, pc) else "r"
            self._add(core, TraceEntry(core.plan.name, kind, pc, area, address - first, size, value))

        span = Span.from_bounds(first, last + 1)
        core.bus.watch_memory(called, None, span)

    def _is_ordered(self, core: EmulatedCore, pc: int) -> bool:
        key = core.plan.name, pc
        if key not in self._ordered:
            found = next(iter(instructions(core.bus.read_bytes(pc, 4))), None)
            self._ordered[key] = found is not None and is_ordered(*found[1:])
        return self._ordered[key]

    def _add(self, core: EmulatedCore, entry: TraceEntry) -> None:
        name = core.plan.name
        last, times = self._last.get(name, (None, 0))
        times = times + 1 if last == entry and entry.kind in "rR" else 1
        self._last[name] = entry, times
        if times > 2:
            return
        if len(self._entries) < MAX_TRACE:
            self._entries.append(entry)
        else:
            self._dropped = True

    def event(self, core: EmulatedCore, kind: str, numbers: dict[str, int], words: dict[str, str]) -> None:
        """An event of the device; what may hand something over to another core is recorded."""
        if kind in MAY_PASS:
            to = words.get("of", "") or words.get("to", "")
            self._last.pop(core.plan.name, None)
            self._add(core, TraceEntry(core.plan.name, kind, 0, to, numbers.get("register", 0), 0, 0))

    def result(self) -> RawTrace:
        """The whole trace, with the places that a short loop holds."""
        reads = {(each.core, each.pc) for each in self._entries if each.kind == "r"}
        loops = {(name, pc) for name, pc in reads if self._closes_loop(self._cores[name], pc)}
        return RawTrace(tuple(self._entries), tuple(sorted(loops)), self._dropped)

    @staticmethod
    def _closes_loop(core: EmulatedCore, pc: int) -> bool:
        """Whether a branch soon after ``pc`` leads back to it, or to shortly before it."""
        for offset, first, second in instructions(core.bus.read_bytes(pc, LOOP_AHEAD)):
            distance = None
            if first & 0xF000 == 0xD000 and first & 0xF00 < 0xE00:
                distance = ((first & 0xFF) ^ 0x80) * 2 - 0x100
            elif first & 0xF800 == 0xE000:
                distance = ((first & 0x7FF) ^ 0x400) * 2 - 0x800
            elif first & 0xF800 == 0xF000 and second & 0xD000 == 0x8000 and first & 0x380 != 0x380:
                distance = -2 if first & 0x400 else 0
            if distance is not None and -MAX_LOOP <= offset + 4 + distance <= 0:
                return True
        return False


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
