"""The emulated device: both cores on the same memories and registers, until something ends it.

Time counts instructions from the primary's reset, the same for all cores.  The core with the least time
runs, up to a little ahead of the others (``schedule``), so that an event of one core has its place among
those of the others.
"""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.emulator.core.backing import Backing
from gemel.rehearsal.emulator.core.bus import Port
from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore
from gemel.rehearsal.emulator.device_events import EventLog
from gemel.rehearsal.emulator.fine_watches import FineWatches
from gemel.rehearsal.emulator.loop_probe import probe_busy, probe_loops
from gemel.rehearsal.emulator.registers.device_registers import DeviceRegisters
from gemel.rehearsal.emulator.registers.release import ReleaseWatch
from gemel.rehearsal.emulator.run_result import result_of
from gemel.rehearsal.emulator.same_state import SameState
from gemel.rehearsal.emulator.schedule import Schedule
from gemel.rehearsal.emulator.shared_trace import SharedTrace
from gemel.rehearsal.plan import PAGE, DevicePlan
from gemel.rehearsal.raw_run import RawRun

GRACE = 4_000_000
"""Instructions that the device still gets after a fault from which no core recovers: time to report it."""

LAST_LINE = 50_000
"""Instructions that the device still gets after its last goal to end the lines of text that were begun."""

MAX_RESTARTS = 2
"""Resets of the device that code may request; one more is a finding."""

LOOK_EVERY, LOOK_FRACTION = 4096, 1024
"""Instructions between two looks for a repeating state; in long runs this part of the time."""


class Device:
    """One device, from the primary's reset on.  Calls are followed from time ``follow_from`` on, if given."""

    def __init__(self, plan: DevicePlan, follow_from: int | None = None) -> None:
        self.plan = plan
        self._follow_from = follow_from
        slacks = {window.memory: window.start % PAGE for core in plan.cores for window in core.windows}
        self.memories = {each.name: Backing(each, slacks.get(each.name, 0)) for each in plan.memories}
        self.reached_goals = [False] * len(plan.goals)
        self._words_sought = {index: goal.word for index, goal in enumerate(plan.goals) if goal.word}
        self.running: EmulatedCore | None = None
        self._to_start: list[tuple[str, int]] = []
        self._released: set[str] = set()
        self._finishing = False
        self._done_at: int | None = None
        self._look_at = LOOK_EVERY
        self._restarts, self._to_restart = 0, False
        self.ends_at = plan.budget
        """When the budget of instructions ends, in common time."""
        self.repeats_since: dict[str, int] = {}
        self.log = EventLog(self)
        self.releases = {
            core.name: ReleaseWatch(core.name, core.release, self._register_event, self._release, self._hold)
            for core in plan.cores
            if core.release
        }
        self.cores = {
            core.name: EmulatedCore(core, self.memories, self, self._goal_addresses(core.name))
            for core in plan.cores
        }
        sought = {
            index: (goal.core, goal.text) for index, goal in enumerate(plan.goals) if goal.text is not None
        }
        self.registers = DeviceRegisters(
            plan.registers,
            self.releases,
            self._register_event,
            self._raise_interrupt,
            self._state_of,
            sought,
            lambda index: self._reach(index, self.running.pc if self.running else None),
            self,
        )
        self.schedule = Schedule(self)
        FineWatches(self, plan.watches)
        self.trace = SharedTrace(self) if plan.traced else None

    def run(self, until: int | None = None) -> RawRun:
        """Run to the end, or to time ``until``."""
        self._start_primary(0)
        ended, same = "", SameState(self)
        while not ended:
            core = self.schedule.next_core()
            if core is None:
                ended = self._end_asleep()
                break
            look_at = self.schedule.on_core(core, self._look_at + LOOK_EVERY)
            self._run(core, min(self.schedule.limit(core), look_at, self.ends_at))
            now = self.schedule.common(core, core.time)
            if self._words_sought:
                self._look_at_words()
            if self._to_restart:
                self._restart(now)
                same = SameState(self)
            elif (
                core.runs and now < min(self._look_at, self.ends_at) and not self._finishing and until is None
            ):
                continue
            time = self.schedule.time()
            if self._all_done(time):
                ended = "goals"
            elif until is not None and time > until:
                ended = "replayed"
            elif time >= self._look_at or time >= self.ends_at:
                # In steps and from this look on: a device that repeats is looked at in the same states again.
                self._look_at = time + max(LOOK_EVERY, (1 << time.bit_length()) // (2 * LOOK_FRACTION))
                ended = self._end(time, same)
        if ended == "same state":
            self.repeats_since = same.since
            probe_loops(self)
        elif ended == "budget":
            probe_busy(self)
        if ended != "replayed":
            self.registers.finish()
            self.log.finish(ended)
        return result_of(self, ended)

    def look_soon(self) -> None:
        """Look whether the device is in the same state again, as soon as the core that runs hands over."""
        self._look_at = 0

    def _run(self, core: EmulatedCore, limit: int) -> None:
        if core.state == "sleeping":
            core.sleep.end(core.sleep.wakes_at() or core.time)
        if self._follow_from is not None and self.schedule.common(core, core.time) >= self._follow_from:
            core.follow_calls(True)
        self.running = core
        core.run(limit)
        self.running = None
        self._start_released(self.schedule.common(core, core.time))

    def _start_primary(self, now: int) -> None:
        primary = next(core for core in self.cores.values() if core.plan.primary)
        primary.start(primary.plan.vectors or 0, now)
        self._start_events(primary.plan.name)

    def _restart(self, now: int) -> None:
        """Reset the device at common time ``now``: memories keep their content."""
        self._to_restart, self._to_start = False, []
        self._released.clear()
        self.registers.reset()
        for watch in self.releases.values():
            watch.reset()
        for core in self.cores.values():
            core.hold()
            core.bus.map_memories(self._released)
        primary = next(core for core in self.cores.values() if core.plan.primary)
        self._start_primary(self.schedule.on_core(primary, now))

    def _end(self, time: int, same: SameState) -> str:
        """Why the run ends here; empty if it goes on."""
        if self._all_done(time):
            return "goals"
        fault = self.log.first_fault
        if fault is not None and time > fault + GRACE:
            return "finding"
        if time >= self.ends_at and not self._sleep_given_back(time):
            return "budget"
        if same.again():
            return "finding" if fault is not None else "same state"
        return ""

    def _sleep_given_back(self, time: int) -> bool:
        """Whether time that was slept away counts again for goals that are not reached: a later end of the run."""
        if all(self.reached_goals):
            return False
        spent = max(core.instructions + core.sleep.spent for core in self.cores.values())
        left = self.plan.budget - spent
        self.ends_at = time + max(0, left)
        return left > 0

    def _all_done(self, time: int) -> bool:
        """Whether every goal was reached, and the lines that were begun then are whole (or take too long)."""
        if not self.plan.goals or not all(self.reached_goals) or self._to_start:
            return False
        if self._done_at is None:
            self._done_at = time
        return not self.registers.in_line or time > self._done_at + LAST_LINE

    def _end_asleep(self) -> str:
        """Why the run ends where nothing runs or will wake."""
        if self.plan.goals and all(self.reached_goals):
            return "goals"
        return "finding" if self.log.first_fault is not None else "asleep"

    def _look_at_words(self) -> None:
        """After each turn of a core, since another turn may write a word again."""
        for index, (memory, offset, value, mask) in list(self._words_sought.items()):
            if self.memories[memory].word(offset) & mask == value & mask:
                del self._words_sought[index]
                self._reach(index, None)

    # -- what cores and registers ask of it ---------------------------------------------------------

    def report(
        self, core: EmulatedCore, kind: str, pc: int | None, numbers: dict[str, int], words: dict[str, str]
    ) -> None:
        """An event of a core."""
        if self.trace is not None:
            self.trace.event(core, kind, numbers, words)
        self.log.add(core, kind, pc, numbers, words)

    def last_event(self) -> int:
        """The number of the event that was reported last."""
        return self.log.last

    def recovered(self, event: int) -> None:
        """The fault that is this event was handled by its core."""
        self.log.recovered(event)

    def port(self, core: EmulatedCore, address: int) -> Port:
        """The device register at a plain address, as this core uses it."""
        found = self.log.owner_check(core, address)
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
        holders = {each.holder for each in self.registers.mutexes.values() if each.plan.guards == area}
        if core.plan.name not in holders:
            self.log.add(core, "without-lock", pc, {"address": address, "write": int(write)}, {"area": area})

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

    def flash_fault(self, address: int, command: str, reason: str) -> None:
        """A command that does not do to the flash what the code requests."""
        if self.running is not None:
            self.report(
                self.running,
                "flash-command",
                self.running.pc,
                {"address": address},
                {"command": command, "reason": reason},
            )

    def write_unit(self, memory: str) -> int:
        """How many bytes of a memory are programmed at once."""
        return self.memories[memory].plan.write_unit

    def restarts(self, core: EmulatedCore, pc: int) -> bool:
        """A core requests a reset of the device; False if it asked too often already."""
        if self._restarts == MAX_RESTARTS:
            return False
        self._restarts += 1
        self._to_restart = core.hand_over = True
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
        time = self.schedule.time() if self.running is None else None
        self.log.add(core, "goal", pc, {}, {"goal": goal.label}, time)
        if all(self.reached_goals):
            self._finishing = core.hand_over = True
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
        receiver.coming.schedule(now + delay, action)
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
        self._compare_copies(core)
        self._to_start.append((core, address))
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
        """Cores that were released start."""
        for name, address in self._to_start:
            self._released.add(name)
            for core in self.cores.values():
                core.bus.map_memories(self._released)
            if self.cores[name].state == "reset":
                self.cores[name].start(address, self.schedule.start_time(self.cores[name], now))
                self._start_events(name)
        self._to_start = []
