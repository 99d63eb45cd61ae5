"""All ways that start-up code may go from one place, each once: where a condition is not known, both are gone.

A loop that waits is left, and one that counts is left for last.
"""

from __future__ import annotations

from collections import Counter
from functools import lru_cache

from gemel.m_profile.code.known_registers import VTOR
from gemel.m_profile.execution.plain_loops import Entry, goes_through_plain_loop, reach_of_loop
from gemel.m_profile.execution.thumb_operations import operation_of
from gemel.m_profile.execution.values import (
    FollowedCore,
    Operation,
    Stop,
    WrittenBytes,
)
from gemel.m_profile.instructions.halfwords import FIRST_WIDE, branch_distance
from gemel.spans import Span
from gemel.structs import NamedTuple

MAX_STEPS, STEPS_AFTER, STEPS_DONE, IDLE_STEPS = 60_000, 10_000, 512, 512
"""Instructions of all ways up to ``main``, after it, and once all is initialised; and those without anything new until
another way is tried.  What one writes counts too, where that is more, and a way with much written as several."""


MAX_TRIES = 3
"""Times that one instruction, or one way from it, is looked at for a loop that only copies or fills, and is in none."""


MAX_CODE = 1_000
"""Different instructions up to ``main``, and after it: start-up code has a few hundred."""


MAX_WAYS = 100
"""Conditions that are not known, of each of which the other way is gone too."""


SYSTEM_WORDS = 16
"""Words of a vector table before those of interrupts."""


EQ, NE = 0, 1
"""Conditions of branches."""


class End(NamedTuple):
    """Where a way was left, or does nothing new, and what VTOR is set to where the way goes on there."""

    at: int
    table: int | None


def tables_in_ram(core: FollowedCore) -> set[int]:
    """What a way sets VTOR to where the image stores nothing."""
    values = {store.value for store in core.stores if store.target == VTOR}
    return {value for value in values if value is not None and core.byte_at(value) is None}


def system_vectors(core: FollowedCore, table: int) -> list[object]:
    """The system vectors of a table as a way leaves them; 0 where it writes none."""
    return [core.words.get(table + 4 * at, 0) for at in range(SYSTEM_WORDS)]


def is_blank(core: FollowedCore, table: int) -> bool:
    """Whether a way that shows all that it writes leaves each system vector as 0."""
    return not core.blind and all(word == 0 for word in system_vectors(core, table))


class StartWays:
    """All ways through the code from one place."""

    def __init__(self, stops: frozenset[int], expected: tuple[WrittenBytes, ...] | None) -> None:
        self.stops = stops
        self._expected = expected
        self.instructions: dict[int, Entry] = {}
        """The instructions that were looked at, without those that the code itself wrote."""
        self._signatures: dict[object, int] = {}
        self._turns: dict[int, int] = {}
        self._gone: set[tuple[int, bool]] = set()
        self._tried: Counter[int] = Counter()
        self._ways_tried: Counter[tuple[int, bool]] = Counter()
        self.pending: list[FollowedCore] = []
        self.steps = 0
        self._idle: FollowedCore | None = None
        self._is_done = False
        self.ended: list[FollowedCore] = []
        self.arrived: list[FollowedCore] = []
        self.rests: dict[End, None] = {}
        self.blank_at_rest: set[int] = set()
        self.reached: set[Span] = set()
        self.why_not = ""
        self.is_cut = False
        """Whether a way was left for its length, which may have done something new."""

    def go_all(self, core: FollowedCore, limit: int) -> None:
        """Go each way there is, up to so many instructions together."""
        self.pending, self.steps = [core], limit
        while self.pending and self.steps > 0:
            core = self.pending.pop()
            if core not in self.ended:
                self.ended.append(core)
            try:
                if self._go(core):
                    self.pending.insert(0, core)
            except Stop as stop:
                core.is_stopped = True
                if stop.blind:
                    core.blind = core.blind or f"{stop} at {core.pc:#010x}"
            if core.blind:
                self._note(core.blind)
        self.is_cut = self.is_cut or bool(self.pending)
        if self.steps <= 0 and not self._is_done:
            self._note("more instructions than are followed")

    def _give_up(self, reason: str) -> None:
        self._note(reason)
        self.steps = 0
        raise Stop(reason)

    def _note(self, reason: str) -> None:
        self.why_not = self.why_not or reason

    def _go(self, core: FollowedCore) -> bool:
        """Go one way to its end, or to where others are first: it turns round in a loop that counts in memory."""
        entries, stops = self.instructions, self.stops
        left, last, news, reached = IDLE_STEPS, core.changes, len(entries), len(core.words)
        self._idle = None
        while True:
            pc = core.pc
            if pc in stops:
                self.arrived.append(core)
                return False
            entry = entries.get(pc) or self._decoded(core, pc)
            left -= 1
            if not left:
                self.steps -= max(IDLE_STEPS, core.changes - last)
                if not self._is_done and self._expected is not None and core.has_written(self._expected):
                    self._is_done, self.steps = True, min(self.steps, STEPS_DONE)
                idle = last == core.changes and news == len(entries)
                if self.steps <= 0:
                    self.is_cut = self.is_cut or not idle
                    return False
                if idle and self._idle:
                    return False
                if self.pending and not idle and (news, reached) == (len(entries), len(core.words)):
                    return True
                left, last, news, reached = IDLE_STEPS, core.changes, len(entries), len(core.words)
                self._idle = core.copy() if idle else None
                if not idle and self._tried[pc] < MAX_TRIES:
                    if goes_through_plain_loop(core, self._entry):
                        continue
                    self._tried[pc] += 1
            size, operation, branch = entry
            if core.conditions:
                condition = core.conditions.pop(0)
                if not self._decided(core, core.holds(condition), condition, in_block=True):
                    core.pc = pc + size
                    continue
                core.in_block = True
            if branch:
                what, zero, target = branch
                if operation is None:
                    known = core.holds(what)
                else:
                    value = core.registers[what]
                    known = None if value is None else (value == 0) == zero
                taken = self._decided(core, known, what if operation is None else None)
                if known is None:
                    self._learn(core, branch, operation is None, taken)
                core.pc = target if taken else pc + size
            else:
                led = operation(core) if operation else None
                core.pc = pc + size if led is None else led
            if core.in_block:
                core.in_block = False

    def _learn(self, core: FollowedCore, branch: tuple[int, bool, int], of_flags: bool, taken: bool) -> None:
        """A register that is known on this way alone: that a CBZ tests, or that set Z, or was compared, just before."""
        what, zero, _ = branch
        if not of_flags:
            if taken == zero:
                core.registers[what] = 0
        elif what in (EQ, NE) and taken == (what == EQ) and core.if_zero:
            at, register, value = core.if_zero
            if at + self.instructions.get(at, (0,))[0] == core.pc:
                core.registers[register] = value

    def _decided(
        self, core: FollowedCore, known: bool | None, condition: int | None, *, in_block: bool = False
    ) -> bool:
        """Which way to go at a condition, which holds from then on or not; if it is not known, the other way later.

        The condition of flags is None for a branch that tests a register.
        """
        taken = self._way(core, known, [condition] if in_block and condition is not None else [])
        if condition is not None and taken != known:
            core.assume(condition, holds=taken)
        return taken

    def _way(self, core: FollowedCore, known: bool | None, block: list[int]) -> bool:
        pc = core.pc
        if core.goes is not None:
            known, core.goes = core.goes, None
            return known
        if known is not None:
            if self._idle and (pc, not known) not in self._gone:
                self.rests[End(pc, core.table)] = None
                self.blank_at_rest |= {value for value in tables_in_ram(core) if is_blank(core, value)}
                core.forget_changes(self._idle)
                self._idle, known = None, not known
            self._gone.add((pc, known))
            return known
        signature = pc, tuple(core.registers), core.version, core.changes
        if gone := self._signatures.get(signature, 0):
            self._signatures[signature] = 3
            if gone == 3:
                raise Stop("the same as on another way")
            return gone == 1
        turn = self._turns[pc] = self._turns.get(pc, -1) + 1
        if turn and not core.conditions and not core.in_block:
            self._see_reach(core)
        if not turn and len(self._turns) > MAX_WAYS:
            self._give_up("more conditions that are not known than are followed")
        if not turn:
            self.steps -= (len(core.words_written) + len(core.bytes_written)) // 4
            other = core.copy()
            other.conditions[:0] = block
            other.goes = True
            self.pending.insert(0, other)
        self._signatures[signature] = 3 if not turn else 1 + turn % 2
        return bool(turn & 1)

    def _see_reach(self, core: FollowedCore) -> None:
        """Where loops may store that go on at a branch of which that is not known."""
        for goes in (True, False):
            way = core.pc, goes
            if self._ways_tried[way] < MAX_TRIES:
                try:
                    reached = reach_of_loop(core, self._looked_at, goes=goes)
                except Stop:
                    self._ways_tried[way] += 1
                else:
                    self._ways_tried[way] += any(each.covers(reached) for each in self.reached)
                    self.reached.add(reached)

    def _looked_at(self, core: FollowedCore, pc: int) -> Entry:
        """An instruction of a way that may not be gone."""
        entry = self.instructions.get(pc)
        if entry is None:
            entry = self._decoded(core, pc)
            self.instructions.pop(pc, None)
        return entry

    def _entry(self, core: FollowedCore, pc: int) -> Entry:
        return self.instructions.get(pc) or self._decoded(core, pc)

    def _decoded(self, core: FollowedCore, pc: int) -> Entry:
        first = core.load(pc, 2)
        second = core.load(pc + 2, 2) if first is not None and first >= FIRST_WIDE else 0
        if first is None or second is None:
            raise Stop("a branch to where no code is stored", blind=True)
        if len(self.instructions) >= MAX_CODE:
            self._give_up("more code than is followed")
        entry = 4 if first >= FIRST_WIDE else 2, *_split(pc, first, second)
        if pc & ~3 not in core.words:
            self.instructions[pc] = entry
        return entry


@lru_cache(4 * MAX_CODE)
def _split(pc: int, first: int, second: int) -> tuple[Operation | None, tuple[int, bool, int] | None]:
    """The operation of an instruction, or the condition of a branch and where it leads."""
    distance = branch_distance(first, second)
    if distance is not None and first & 0xF500 == 0xB100:
        return _never, (first & 7, not first & 0x800, pc + 4 + distance)
    narrow = first & 0xF000 == 0xD000
    if distance is not None and (narrow or (first >= FIRST_WIDE and second & 0xD000 == 0x8000)):
        return None, (first >> 8 & 15 if narrow else first >> 6 & 15, False, pc + 4 + distance)
    return operation_of(pc, first, second), None


def _never(_: FollowedCore) -> None:
    """In the place of an operation: the branch tests a register."""
