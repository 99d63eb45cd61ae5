"""The emulated device: both cores on the same memories and registers, and what these ask of it.

Time counts instructions from the primary's reset, the same for all cores.
"""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.emulator import fine_watches
from gemel.rehearsal.emulator.core.backing import Backing
from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
from gemel.rehearsal.emulator.device_events import EventLog
from gemel.rehearsal.emulator.memory_watches import SharedTrace, WordGoals
from gemel.rehearsal.emulator.registers.device_registers import DeviceRegisters
from gemel.rehearsal.emulator.registers.register_port import RegisterPort
from gemel.rehearsal.emulator.registers.special_registers import ReleaseWatch
from gemel.rehearsal.emulator.schedule import Schedule
from gemel.rehearsal.emulator.system_space.interrupts import FIRST_EXTERNAL, Masks
from gemel.rehearsal.plan import PAGE, DevicePlan
from gemel.spans import Span

MAX_RESTARTS = 2
"""Resets of the device that code may request; one more is a finding."""


class Device:
    """One device, from the primary's reset on.  Calls are followed from time ``follow_from`` on, if given."""

    def __init__(self, plan: DevicePlan, follow_from: int | None = None) -> None:
        self.plan = plan
        self._follow_from = follow_from
        slacks = {window.memory: window.start % PAGE for core in plan.cores for window in core.windows}
        self.memories = {each.name: Backing(each, slacks.get(each.name, 0)) for each in plan.memories}
        self.reached_goals = [False] * len(plan.goals)
        self.running: EmulatedCore | None = None
        self.to_start: list[tuple[str, int]] = []
        """Cores that were released and have not started yet, with their vector tables."""
        self._released: set[str] = set()
        self._erased: dict[tuple[str, int], tuple[Span, str, dict[str, int]]] = {}
        """Blocks of flash that code had erased last, by memory and offset: by which core, with numbers of the event."""
        self.finishing = self.to_restart = False
        """Whether all goals are reached, and whether the device is to be reset."""
        self.look_at = 0
        """When it is looked next whether the device is in the same state again."""
        self._restarts = 0
        self.ends_at = plan.budget
        """When the budget of instructions ends, in common time."""
        self.repeats_since: dict[str, int] = {}
        self.log = EventLog(plan)
        self.releases = {
            core.name: ReleaseWatch(core.name, core.release, self._register_event, self._release, self._hold)
            for core in plan.cores
            if core.release
        }
        self.cores = {
            core.name: EmulatedCore(core, self.memories, self, self._goal_addresses(core.name))
            for core in plan.cores
        }
        self.registers = DeviceRegisters(
            plan.registers,
            self.releases,
            self._register_event,
            self._raise_interrupt,
            self._state_of,
            {index: (goal.core, goal.text) for index, goal in enumerate(plan.goals) if goal.text is not None},
            lambda index: self._reach(index, self.running.registers.pc & ~1 if self.running else None),
            self,
        )
        self.schedule = Schedule(plan, self.cores, self.memories)
        self.words = WordGoals(plan.goals, self.cores, self.memories, self._reach)
        for core in self.cores.values():
            core.system.ticks.jitter = self.schedule.jitter
        fine_watches.install(self.cores, self.memories, plan.watches)
        self.trace = SharedTrace(plan, self.cores, self.memories) if plan.traced else None

    def look_soon(self) -> None:
        """Look whether the device is in the same state again, as soon as the core that runs hands over."""
        self.look_at = 0

    def run(self, core: EmulatedCore, limit: int) -> None:
        """Let a core run up to time ``limit`` of its own; then cores that it has released start."""
        if core.state == "sleeping":
            core.sleep.end(core.sleep.wakes_at() or core.time)
        if self._follow_from is not None and self.schedule.common(core, core.time) >= self._follow_from:
            core.follow_calls()
        self.running = core
        core.run(limit)
        self.running = None
        self._start_released(self.schedule.common(core, core.time))

    def start(self, now: int = 0) -> None:
        """Start the primary at common time ``now``."""
        primary = next(core for core in self.cores.values() if core.plan.primary)
        primary.start(primary.plan.vectors or 0, now)
        self._start_events(primary.plan.name)

    def restart(self, now: int) -> None:
        """Reset the device at common time ``now``: memories keep their content."""
        self.to_restart, self.to_start = False, []
        self._released.clear()
        self.registers.reset()
        for watch in self.releases.values():
            watch.reset()
        for core in self.cores.values():
            core.hold()
            core.bus.map_memories(self._released)
        primary = next(core for core in self.cores.values() if core.plan.primary)
        self.start(self.schedule.on_core(primary, now))

    # -- what cores and registers ask of it ---------------------------------------------------------

    def report(
        self, core: EmulatedCore, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str]
    ) -> None:
        """An event of a core."""
        if self.trace is not None:
            self.trace.event(core, kind, numbers, words)
        self.log.add(core, kind, pc, numbers, words, self._now(core))

    def _now(self, core: EmulatedCore) -> int:
        """The common time of a core's current instruction."""
        return self.schedule.common(core, core.now())

    def finish(self, ended: str) -> None:
        """Report what was left undone: text, locks still held, and write units of flash programmed in part."""
        self.registers.serial.finish()
        self.log.count()
        for mutex in self.registers.mutexes.values():
            if mutex.holder:
                core = self.cores[mutex.holder]
                if ended == "goals" and core.runs:
                    continue  # the run ended while it had the lock
                waited = ", ".join(sorted(mutex.waited - {mutex.holder}))
                self.log.add(
                    core,
                    "lock-not-given-back",
                    core.pc,
                    {"register": mutex.plan.at},
                    {"waited": waited},
                    self._now(core),
                )
        for flash in self.registers.flash:
            unit = self.write_unit(flash.plan.memory)
            for name, place, address, count in flash.partly_programmed():
                core = self.cores[name]
                numbers = {"address": address, "count": count, "unit": unit}
                self.log.add(core, "write-unit-in-part", place, numbers, {}, self._now(core), is_past=True)

    def last_event(self) -> int:
        """The number of the event that was reported last."""
        return self.log.last

    def recovered(self, event: int) -> None:
        """The fault that is this event was handled by its core."""
        self.log.recovered(event)

    def port(self, core: EmulatedCore, address: int) -> RegisterPort:
        """The device register at a plain address, as this core uses it."""
        found = self.log.owner_check(core, address, shared=address in self.registers.shared)
        before = None
        if found is not None:
            kind, words = found

            def before() -> None:
                core.report(kind, core.registers.pc & ~1, {"register": address}, words)

        elif address in self.registers.shared:
            before = self.schedule.cores_talk
        return self.registers.port(core.plan.name, address, core.registers.pc & ~1, before)

    def reached(self, core: EmulatedCore, address: int) -> None:
        """A core came to an address that is a goal, or where it pauses."""
        if self.plan.pause == (core.plan.name, address):
            self.schedule.pause(core)
        for index, goal in enumerate(self.plan.goals):
            if goal.core == core.plan.name and goal.address == address and not self.reached_goals[index]:
                self._reach(index, address)

    def touched_guarded(self, core: EmulatedCore, area: str, address: int, pc: int, write: bool) -> None:
        """A core touched an area that a lock guards."""
        if not self._released:
            return  # nobody else runs yet
        locks = [each for each in self.registers.mutexes.values() if each.plan.guards == area]
        if all(each.holder != core.plan.name for each in locks):
            numbers = {"address": address, "write": int(write), "register": locks[0].plan.at}
            self.log.add(core, "without-lock", pc, numbers, {"area": area}, self._now(core))

    def programs_flash(self, core: EmulatedCore, memory: Backing, address: int, data: bytes) -> bool:
        """Whether a flash controller takes this store, and programs the data."""
        for flash in self.registers.flash:
            if flash.takes_store(memory):
                flash.store(core.plan.name, address, data)
                return True
        return False

    def why_not_programmed(self, memory: Backing) -> dict[str, int]:
        """What a described controller lacks to program a store into ``memory``: see ``DescribedFlash.lacking``."""
        lacking = [flash.lacking for flash in self.registers.flash if flash.plan.memory == memory.plan.name]
        return {"lacking": lacking[0]} if lacking else {}

    def that_may_come(self, core: EmulatedCore, exceptions: set[int]) -> set[int]:
        """Which of a core's external interrupts may still be raised.

        That is all but those of devices that code has not switched on, unless another core may yet do that since
        something from outside interrupts it.
        """
        come = self._raised(core, exceptions)
        if come != exceptions and any(
            self._raised(each, each.interrupts.could_wake(Masks())).difference(
                self.plan.lines_between(each.plan.name)
            )
            for each in self.cores.values()
            if each is not core
        ):
            return exceptions
        return come

    def _raised(self, core: EmulatedCore, exceptions: set[int]) -> set[int]:
        name = core.plan.name
        lines = self.plan.lines_between(name)
        return {
            each
            for each in exceptions
            if each in lines or self.registers.lets_come(name, each - FIRST_EXTERNAL)
        }

    def locate(self, address: int) -> tuple[Backing, int] | None:
        """The memory and offset at an address, as the core that runs sees it."""
        return self.running.bus.locate(address) if self.running else None

    def after_instruction(self, action: Callable[[], None]) -> None:
        """Call ``action()`` once the core that runs has executed its current instruction."""
        if self.running is not None:
            self.running.faults.after_run.append(action)
            self.running.stop_soon()

    def code_changed(self) -> None:
        """Code may have been replaced; called between two instructions."""
        for core in self.cores.values():
            core.look_again()

    def place(self) -> int:
        """The address of the instruction that the core that runs executes."""
        return self.running.registers.pc & ~1 if self.running else 0

    def flash_fault(self, place: int, address: int, command: str, reason: str) -> None:
        """A command that does not do to the flash what the code at ``place`` requests."""
        if self.running is not None:
            words = {"command": command, "reason": reason}
            self.report(self.running, "flash-command", place, {"address": address}, words)

    def flash_erased(self, place: int, memory: str, offset: int, block: Span, command_at: int) -> None:
        """The code at ``place`` had a block of a memory erased: from ``offset`` on, at these addresses."""
        if self.running is not None:
            numbers = {"block": block.start, "last": block.last}
            self.report(self.running, "flash-erased", place, numbers, {})
            name, when = self.running.plan.name, self._now(self.running)
            more = {"erased_at": when, "erased_from": place, "command_at": command_at}
            self._erased[memory, offset] = Span(offset, block.size), name, numbers | more

    def who_erased(self, core: EmulatedCore, address: int) -> tuple[dict[str, int], dict[str, str]]:
        """Numbers and words of the erase that left what a core executes without code; empty if there was none."""
        located = core.bus.locate(address)
        for (memory, _), (span, name, numbers) in self._erased.items():
            if located and memory == located[0].plan.name and span.holds(located[1]):
                return numbers, {"erased_by": name}
        return {}, {}

    def write_unit(self, memory: str) -> int:
        """How many bytes of a memory are programmed at once."""
        return self.memories[memory].plan.write_unit

    def restarts(self, core: EmulatedCore, pc: int) -> bool:
        """A core requests a reset of the device; False if it asked too often already."""
        if self._restarts == MAX_RESTARTS:
            return False
        self._restarts += 1
        self.to_restart = core.hand_over = True
        self.report(core, "restarts", pc, {}, {})
        return True

    def _register_event(self, kind: str, numbers: dict[str, int], words: dict[str, str]) -> None:
        core = self.running or self.cores.get(words.pop("of", ""))
        if core is not None:
            self.report(core, kind, core.registers.pc & ~1, numbers, words)

    def _reach(self, index: int, pc: int | None) -> None:
        self.reached_goals[index] = True
        goal = self.plan.goals[index]
        core = self.cores[goal.core]
        time = self.schedule.time() if self.running is None else self._now(core)
        self.log.add(core, "goal", pc, {}, {"goal": goal.label}, time)
        if all(self.reached_goals):
            self.finishing = core.hand_over = True
            core.stop_soon()

    def _goal_addresses(self, core: str) -> tuple[int, ...]:
        return tuple(
            sorted(
                {
                    *(
                        goal.address
                        for goal in self.plan.goals
                        if goal.core == core and goal.address is not None
                    ),
                    *([self.plan.pause[1]] if self.plan.pause and self.plan.pause[0] == core else []),
                }
            )
        )

    def _raise_interrupt(self, core: str, number: int, pending: bool) -> None:
        receiver, sender = self.cores[core], self.running
        if sender is receiver or sender is None:
            receiver.interrupts.set_line(16 + number, pending)
        else:
            now = self.schedule.on_core(receiver, self.schedule.common(sender, sender.now()))
            receiver.receive(now, 16 + number, pending)
            sender.hand_over = True
        if sender is not None:
            sender.stop_soon()

    def later(self, core: str, delay: int, action: Callable[[int], None]) -> None:
        """Call ``action(time)`` once ``core`` comes to ``delay`` instructions from now."""
        receiver = self.cores[core]
        now = receiver.time
        if self.running is not None:
            now = self.schedule.on_core(receiver, self.schedule.common(self.running, self.running.now()))
        receiver.coming.schedule(now + delay - self.schedule.jitter(delay), action)
        if self.running is receiver:
            receiver.stop_soon()

    def set_line(self, core: str, number: int, high: bool) -> None:
        """An external interrupt of a core is requested by a device, or no longer is."""
        self._raise_interrupt(core, number, high)

    def pulse(self, core: str, number: int) -> None:
        """An external interrupt of a core is requested once."""
        self.cores[core].interrupts.pend(16 + number)
        self.cores[core].stop_soon()

    def _state_of(self, core: str) -> str:
        return self.cores[core].state

    # -- the release -------------------------------------------------------------------------------

    def _release(self, core: str, address: int) -> None:
        """Called from the write that releases ``core``; it starts after this instruction."""
        watch = self.releases[core]
        numbers = {"vectors": address, "written": int(watch.vector is not None)}
        if watch.plan.expected is not None:
            numbers["expected"] = watch.plan.expected
        self._register_event("released", numbers, {"of": core})
        self.log.started_again(core)
        self._compare_copies(core)
        self.to_start.append((core, address))
        if self.running is not None:
            self.running.hand_over = True
            self.running.stop_soon()

    def _start_events(self, core: str) -> None:
        """What devices do by themselves for a core that starts."""
        for event in self.registers.events:
            if event.plan.core == core:
                event.look()

    def _hold(self, core: str) -> None:
        """A core is put back into reset."""
        if self.running is not self.cores[core]:
            self.cores[core].hold()

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
        for name, address in self.to_start:
            self._released.add(name)
            for core in self.cores.values():
                core.bus.map_memories(self._released)
            if self.cores[name].state == "reset":
                self.cores[name].start(address, self.schedule.start_time(self.cores[name], now))
                self._start_events(name)
        self.to_start = []
