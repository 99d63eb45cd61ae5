"""The emulated device: both cores in turn on the same memories, until something ends it.

Time counts instructions from the primary's reset.  In each turn every core that runs takes a slice of it, in
the order of the layout, so that an event of one core has its place among those of the others.
"""

from __future__ import annotations

from dataclasses import replace

from gemel.rehearsal.backing import Backing
from gemel.rehearsal.device_events import EventLog
from gemel.rehearsal.emulated_core import EmulatedCore
from gemel.rehearsal.fine_watches import FineWatches
from gemel.rehearsal.loop_probe import probe_loops
from gemel.rehearsal.plan import MAX_SHARED, PAGE, DevicePlan
from gemel.rehearsal.raw_run import RawAccess, RawCore, RawEvent, RawRun
from gemel.rehearsal.registers import DeviceRegisters
from gemel.rehearsal.release import ReleaseWatch
from gemel.rehearsal.same_state import SameState

GRACE = 40
"""Turns that the rest of the device still gets once one core cannot go on: time to notice."""

MAX_BLOCKS = 100_000
"""Addresses of executed blocks that are passed on."""


class Device:
    """One device, from the primary's reset on.  ``detailed`` are turns to follow block by block."""

    def __init__(self, plan: DevicePlan, detailed: frozenset[int] | None = None) -> None:
        self.plan = plan
        self._detailed = detailed
        slacks = {window.memory: window.start % PAGE for core in plan.cores for window in core.windows}
        self.memories = {each.name: Backing(each, slacks.get(each.name, 0)) for each in plan.memories}
        self.turn = 0
        self.executed = 0
        self.reached_goals = [False] * len(plan.goals)
        self._last_turn = -(-plan.budget // plan.slice_size) - 1
        self._running: EmulatedCore | None = None
        self._to_start: list[tuple[str, int]] = []
        self._released: set[str] = set()
        self.log = EventLog(self)
        self.releases = {
            core.name: ReleaseWatch(core.name, core.release, self._register_event, self._release)
            for core in plan.cores
            if core.release
        }
        self.cores = {
            core.name: EmulatedCore(core, self.memories, self, self._goal_addresses(core.name))
            for core in plan.cores
        }
        self.registers = DeviceRegisters(
            plan.registers, self.releases, self._register_event, self._raise_interrupt, self._state_of
        )
        self.watches = FineWatches(self, plan.watches)

    # -- the run -----------------------------------------------------------------------------------

    def run(self, until_turn: int | None = None) -> RawRun:
        """Run to the end, or to the end of turn ``until_turn``."""
        primary = next(core for core in self.cores.values() if core.plan.primary)
        primary.start(primary.plan.vectors or 0, 0)
        ended, same, fatal_turn = "", SameState(self), None
        while not ended:
            self._one_turn()
            if self.log.fatal and fatal_turn is None:
                fatal_turn = self.turn
            ended = self._end(same, fatal_turn)
            if ended == "same state":
                probe_loops(self)
            self.turn += 1
            if until_turn is not None and self.turn > until_turn:
                ended = ended or "replayed"
        self.log.finish(ended)
        return self._result(ended)

    def _one_turn(self) -> None:
        detailed = self._detailed is not None and self.turn in self._detailed
        for core in self.cores.values():
            if self._detailed is not None:
                core.follow_calls(detailed)
            if core.state in ("running", "waiting", "sleeping"):
                self._running = core
                core.run(self._slice(), self.turn * self.plan.slice_size)
                self._count(core)
                self._running = None
        self._look_at_words()
        self._start_released((self.turn + 1) * self.plan.slice_size)

    def _slice(self) -> int:
        """Instructions of this turn: the last one ends where the budget does."""
        return min(self.plan.slice_size, self.plan.budget - self.turn * self.plan.slice_size)

    def _count(self, core: EmulatedCore) -> None:
        if core.ended_early:
            self.log.note_turn()
            done = core.calls.count_at(core.pc) if core.calls else 0
        else:
            done = self._slice() if core.state == "running" else 0
        core.instructions += done
        self.executed += done

    def _end(self, same: SameState, fatal_turn: int | None) -> str:
        """Why the run ends here; empty if it goes on."""
        if self.plan.goals and all(self.reached_goals) and not self._to_start:
            return "goals"
        if fatal_turn is not None and self.turn >= fatal_turn + GRACE:
            return "finding"
        active = [core for core in self.cores.values() if core.state in ("running", "waiting")]
        if not active and not any(self._may_wake(core) for core in self.cores.values()):
            return "finding" if fatal_turn is not None else "asleep"
        if self.turn >= self._last_turn:
            return "budget"
        if same.again():
            return "finding" if fatal_turn is not None else "same state"
        return ""

    @staticmethod
    def _may_wake(core: EmulatedCore) -> bool:
        return core.state == "sleeping" and (core.system.may_wake or core.system.most_urgent() is not None)

    def _look_at_words(self) -> None:
        for index, goal in enumerate(self.plan.goals):
            if goal.word and not self.reached_goals[index]:
                memory, offset, value, mask = goal.word
                if self.memories[memory].word(offset) & mask == value & mask:
                    self._reach(index, goal.core, None)

    # -- what cores and registers ask of it ---------------------------------------------------------

    def now(self, core: EmulatedCore) -> int:
        """The time at the core's instruction: exact while calls are followed, else its turn's start."""
        if core.calls is None or self._running is not core:
            return core.slice_start
        return core.slice_start + core.calls.count_at(core.registers.pc & ~1)

    def report(
        self, core: EmulatedCore, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str]
    ) -> None:
        """An event of a core."""
        self.log.add(core, kind, pc, numbers, words)

    def read_register(self, core: EmulatedCore, address: int, size: int, pc: int) -> int:
        """A device register."""
        self.log.check_owner(core, address, pc)
        return self.registers.read(core.plan.name, address, size, pc)

    def write_register(self, core: EmulatedCore, address: int, size: int, value: int, pc: int) -> None:
        """A device register."""
        self.log.check_owner(core, address, pc)
        self.registers.write(core.plan.name, address, size, value, pc)

    def reached(self, core: EmulatedCore, address: int) -> None:
        """A core came to an address that is a goal."""
        for index, goal in enumerate(self.plan.goals):
            if goal.core == core.plan.name and goal.address == address and not self.reached_goals[index]:
                self._reach(index, goal.core, address)

    def touched_guarded(self, core: EmulatedCore, area: str, address: int, pc: int, write: bool) -> None:
        """A core touched an area that a lock guards."""
        if not self._released:
            return  # nobody else runs yet
        holders = {each.holder for each in self.registers.mutexes.values() if each.plan.guards == area}
        if core.plan.name not in holders:
            self.log.add(core, "without-lock", pc, {"address": address, "write": int(write)}, {"area": area})

    def _register_event(self, kind: str, numbers: dict[str, int], words: dict[str, str]) -> None:
        core = self._running
        if core is None:
            return
        self.log.add(core, kind, core.registers.pc & ~1, numbers, words)
        if kind == "text":
            self._look_for_text(core, words["line"])

    def _look_for_text(self, core: EmulatedCore, line: str) -> None:
        for index, goal in enumerate(self.plan.goals):
            if (
                goal.text
                and goal.core == core.plan.name
                and goal.text in line
                and not self.reached_goals[index]
            ):
                self._reach(index, goal.core, core.registers.pc & ~1)

    def _reach(self, index: int, core: str, pc: int | None) -> None:
        self.reached_goals[index] = True
        words = {"goal": self.plan.goals[index].label}
        # A word of memory is looked at when the turn is over.
        time = self.turn * self.plan.slice_size + self._slice() if pc is None else None
        self.log.add(self.cores[core], "goal", pc, {}, words, time)

    def _goal_addresses(self, core: str) -> tuple[int, ...]:
        return tuple(
            sorted(
                {goal.address for goal in self.plan.goals if goal.core == core and goal.address is not None}
            )
        )

    def _raise_interrupt(self, core: str, number: int, pending: bool) -> None:
        self.cores[core].system.set_pending(number, pending)

    def _state_of(self, core: str) -> str:
        return self.cores[core].state

    # -- the release -------------------------------------------------------------------------------

    def _release(self, core: str, address: int) -> None:
        """Called from the write that releases ``core``; it starts when the writer's slice is over."""
        watch = self.releases[core]
        numbers = {"vectors": address, "written": int(watch.vector is not None)}
        if watch.plan.expected is not None:
            numbers["expected"] = watch.plan.expected
        self._register_event("released", numbers, {"of": core})
        self._compare_copies(core)
        self._to_start.append((core, address))

    def _compare_copies(self, core: str) -> None:
        for copied in self.releases[core].plan.copied:
            memory = self.memories[copied.memory]
            for offset, expected in copied.pieces:
                found = memory.read(offset, len(expected))
                if found == expected:
                    continue
                at = next(
                    i for i, pair in enumerate(zip(found, expected, strict=False)) if pair[0] != pair[1]
                )
                numbers = {"offset": offset + at, "found": found[at], "expected": expected[at]}
                self._register_event(
                    "copy-differs", numbers, {"of": core, "build": copied.build, "memory": copied.memory}
                )
                break

    def _start_released(self, now: int) -> None:
        """Cores released in this turn start with the next one."""
        for name, address in self._to_start:
            self._released.add(name)
            for core in self.cores.values():
                core.bus.map_memories(self._released)
            if self.cores[name].state == "reset":
                self.cores[name].start(address, now)
        self._to_start = []

    # -- the result --------------------------------------------------------------------------------

    def _result(self, ended: str) -> RawRun:
        return RawRun(
            events=tuple(self.log.events),
            cores=tuple(self._core_result(core) for core in self.cores.values()),
            accesses=tuple(
                RawAccess(
                    core, address, a.reads, a.writes, a.first_pc, a.last_value, self.registers.known(address)
                )
                for (core, address), a in sorted(self.registers.accesses.items())
            ),
            texts=dict(self.registers.texts),
            goals=tuple(self.reached_goals),
            ended=ended,
            time=min(self.turn * self.plan.slice_size, self.plan.budget),
            executed=self.executed,
            notes=tuple(self.log.notes()),
            shared={
                area: self.memories[memory].read(offset, min(size, MAX_SHARED)).hex()
                for area, memory, offset, size in self.plan.shared
            },
        )

    def _core_result(self, core: EmulatedCore) -> RawCore:
        touched = {}
        for name, memory, offset, size in core.plan.own_ram:
            touched[name] = self.memories[memory].touched(offset, size)
        return RawCore(
            core.plan.name,
            core.state,
            core.instructions,
            core.pc,
            tuple(sorted(core.blocks.starts)[:MAX_BLOCKS]),
            core.initial_stack,
            self._lowest_stack(core),
            touched,
        )

    def _lowest_stack(self, core: EmulatedCore) -> int | None:
        """The lowest address of its stack that was written, as far as that can be told from the fill."""
        top, bottom = core.initial_stack, core.plan.stack_limit
        if top is None or bottom is None or bottom >= top:
            return None
        located = core.bus.locate(bottom)
        if located is None:
            return None
        memory, offset = located
        lowest = memory.lowest_touched(offset, top - bottom)
        return top if lowest is None else bottom + lowest - offset


def run_plan(plan: DevicePlan) -> RawRun:
    """Run a device; where times matter, run it again and follow the turns in which something happened.

    Both runs do the same, as nothing in the device depends on anything outside it.
    """
    first = Device(plan)
    result = first.run()
    turns = first.log.turns_to_follow(plan, first.turn)
    if plan.exact and turns:
        again = Device(plan, detailed=frozenset(turns))
        result = _with_exact_times(result, again.run(until_turn=max(turns)))
    return replace(result, events=tuple(sorted(result.events, key=lambda event: event.time)))


def _with_exact_times(result: RawRun, exact: RawRun) -> RawRun:
    """``result`` with the times and calls that the second run, which may end earlier, knows better."""
    count = len(exact.events)
    if [_what(event) for event in exact.events] != [_what(event) for event in result.events[:count]]:
        return replace(result, notes=(*result.notes, "times are those of the turn: a second run differed"))
    instructions = {core.name: core.instructions for core in exact.cores}
    cores = tuple(
        replace(core, instructions=max(core.instructions, instructions[core.name])) for core in result.cores
    )
    return replace(result, events=exact.events + result.events[count:], cores=cores)


def _what(event: RawEvent) -> tuple[str, str, int | None]:
    return event.core, event.kind, event.pc
