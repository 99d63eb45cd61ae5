"""A run of the emulated device, until something ends it.

The core with the least time runs, up to a little ahead of the others (``schedule``), so that an event of one core has
its place among those of the others.

Whether it is in the same state again is found by Brent's way of finding a cycle: an earlier state is kept, with those
of the looks after it, and renewed at ever longer distances.  Registers are compared at each look; the rest only where
they agree, memory last.
"""

from __future__ import annotations

from gemel.rehearsal.emulator.device import Device
from gemel.rehearsal.emulator.loop_probe import never_ends, probe_busy, probe_loops, probe_sleepers
from gemel.rehearsal.emulator.released_loops import released_cores
from gemel.rehearsal.emulator.run_result import result_of
from gemel.rehearsal.kinds import FATAL, GAVE_UP_BY
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawRun
from gemel.structs import replace

GRACE = 4_000_000
"""Instructions that the device still gets after a fault from which no core recovers: time to report it."""

LAST_LINE = 50_000
"""Instructions that the device still gets after its last goal to end the lines of text that were begun."""

FIRST_LOOK_AT_LOOPS = 1 << 16
"""From when on a core that nothing can interrupt is looked at alone, each time that another state is kept."""

LONG_ASLEEP = 10_000_000
"""Time after which a device without goals has shown that it idles, where its sleeps have taken the budget."""

LOOK_EVERY, LOOK_FRACTION = 4096, 1024
"""Instructions between two looks for a repeating state; in long runs this part of the time."""


def run_device(
    plan: DevicePlan,
    *,
    follow_from: int | None = None,
    until: int | None = None,
    again: bool = False,
    most_reads: tuple[tuple[str, int], int] | None = None,
) -> RawRun:
    """Run a device from its primary's reset to its end, or to time ``until``.

    Calls are followed from time ``follow_from`` on, if given.  A run ``again`` does not say which cores are released
    from their waits.  ``most_reads``, of a core's register, end a run that is of no use then; so do that core's faults.
    """
    return _Run(Device(plan, follow_from), most_reads).to_end(until, again)


class _Run:
    def __init__(self, device: Device, most_reads: tuple[tuple[str, int], int] | None) -> None:
        self._device, self._most_reads = device, most_reads
        self._done_at: int | None = None
        self._same = SameState(device)
        device.look_at = LOOK_EVERY
        if most_reads:
            device.log.hands_over_at_faults = most_reads[0][0]

    def to_end(self, until: int | None, again: bool) -> RawRun:
        device, schedule = self._device, self._device.schedule
        device.start()
        ended = ""
        while not ended:
            core = schedule.next_core()
            if core is None:
                ended = self._end_asleep()
                break
            limit = min(schedule.on_core(core, device.look_at + LOOK_EVERY), device.ends_at)
            turn = schedule.limit(core)
            device.run(core, limit if turn is None else min(limit, turn))
            now = schedule.common(core, core.time)
            device.words.look()
            if self._is_of_no_use():
                ended = "replayed"
                break
            if device.to_restart:
                device.restart(now)
                self._same = SameState(device)
            elif (
                core.runs
                and now < min(device.look_at, device.ends_at)
                and not device.finishing
                and until is None
            ):
                continue
            time = schedule.time()
            if self._all_done(time):
                ended = "goals"
            elif until is not None and time > until:
                ended = "replayed"
            elif time >= device.look_at or time >= device.ends_at:
                if time >= FIRST_LOOK_AT_LOOPS and self._same.is_soon_renewed:
                    self._leave_out_loops()
                    time = schedule.time()
                # In steps and from this look on: a device that repeats is looked at in the same states again.
                device.look_at = time + max(LOOK_EVERY, (1 << time.bit_length()) // (2 * LOOK_FRACTION))
                ended = self._end(time)
        endless = [core for core in device.cores.values() if core.is_endless]
        for core in endless:
            core.is_endless = False
        if ended == "same state":
            device.repeats_since = self._same.since
        elif ended == "asleep" and endless:
            ended = "same state"
        if ended == "same state":
            probe_loops(device)
        elif ended == "budget":
            probe_busy(device, endless)
        if ended in ("asleep", "same state", "budget"):
            probe_sleepers(device)
        if ended != "replayed":
            device.finish(ended)
        result = result_of(device, ended)
        if ended not in ("budget", "same state") or device.plan.goals or again:
            return result
        released = released_cores(device, endless)
        cores = (replace(each, released=each.name in released) for each in result.cores)
        return replace(result, cores=tuple(cores))

    def _is_of_no_use(self) -> bool:
        """Whether the register that is not to be read so often has been, or its core faulted and did not give up."""
        if self._most_reads is None:
            return False
        register, most = self._most_reads
        log, access = self._device.log, self._device.registers.accesses.get(register)
        if log.first_fault is not None and any(
            each.core == register[0] and each.kind in FATAL - GAVE_UP_BY for each in log.events
        ):
            return True
        return access is not None and access.reads >= most

    def _end(self, time: int) -> str:
        """Why the run ends here; empty if it goes on."""
        if self._all_done(time):
            return "goals"
        fault = self._device.log.first_fault
        if fault is not None and time > fault + GRACE:
            return "finding"
        if self._is_spent(time):
            return "budget"
        if self._same.again():
            return "finding" if fault is not None else "same state"
        return ""

    def _leave_out_loops(self) -> None:
        """Let no core run that does the same for ever, until it is reset; none that took an exception lately does."""
        for core in self._device.cores.values():
            since = self._same.since.get(core.plan.name, 0)
            if core.runs and max(core.exceptions.entered.values(), default=0) <= since:
                core.is_endless = never_ends(self._device, core)

    def _is_spent(self, time: int) -> bool:
        """Whether the budget is spent; for goals that are not reached, time that was slept away counts again.

        Without goals, short sleeps do not make a long run much longer than it would be without any.
        """
        device, left = self._device, self._left()
        if not device.plan.goals:
            return time >= (device.ends_at if left > 0 else min(device.ends_at, LONG_ASLEEP))
        if time >= device.ends_at and not all(device.reached_goals):
            device.ends_at = time + max(0, left)
        return time >= device.ends_at

    def _left(self) -> int:
        """The instructions left of the budget for the core that took most, sleeps counted."""
        cores = self._device.cores.values()
        return self._device.plan.budget - max(core.instructions + core.sleep.spent for core in cores)

    def _all_done(self, time: int) -> bool:
        """Whether every goal was reached, and the lines that were begun then are whole (or take too long)."""
        device = self._device
        if not device.plan.goals or not all(device.reached_goals) or device.to_start:
            return False
        if self._done_at is None:
            self._done_at = time
        return not device.registers.serial.in_line or time > self._done_at + LAST_LINE

    def _end_asleep(self) -> str:
        """Why the run ends where nothing runs or will wake."""
        device = self._device
        if device.plan.goals and all(device.reached_goals):
            return "goals"
        return "finding" if device.log.first_fault is not None else "asleep"


REPEATS_BY_CHANCE = 8
"""Looks that must find what one of as many found before, where the cores' distance in time does not count.

That is where turns are drawn by chance, and for a core at WFE, which looks again after other times than the others.
"""

MAX_USELESS = 32
"""Times in a row that memory is compared in vain with what was kept; then the next state is waited for."""


class SameState:
    """Asks a device, at each look, whether all of it is as at some earlier look; ``since``: when, for each core."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._turns, self._renew_at = 0, 4
        self._wanted = 0
        self._kept: list[tuple[tuple[object, ...], ...]] = []
        self._useless = self._matches = 0
        self.since: dict[str, int] = {}
        self._by_chance = device.plan.interleaving != 0

    @property
    def is_soon_renewed(self) -> bool:
        """Whether the look after the next one keeps another state: who goes on alone is out of turn till then."""
        return self._turns + 2 == self._renew_at

    def again(self) -> bool:
        """Whether the state repeats; not while a core pauses, which changes nothing then."""
        if self._device.schedule.pauses():
            return False
        self._turns += 1
        registers = self._quick()
        if self._turns >= self._renew_at:
            by_chance = self._by_chance or any(state == "waiting" for state, *_ in registers)
            self._wanted = REPEATS_BY_CHANCE if by_chance else 1
            self._renew_at = 2 * self._turns + self._wanted - 1
            self._kept, self._useless, self._matches = [], 0, 0
            self.since = {name: core.time for name, core in self._device.cores.items()}
        else:
            self._compare(registers)
        if len(self._kept) < self._wanted:
            self._kept.append((registers, self._rest(), self._memories()))
        return 0 < self._matches == self._wanted

    def _compare(self, registers: tuple[object, ...]) -> None:
        """Count a look that finds what one before found."""
        kept = [each for each in self._kept if each[0] == registers]
        if not kept or self._useless >= MAX_USELESS:
            return
        rest = self._rest()
        kept = [each for each in kept if each[1] == rest]
        if not kept:
            return
        memories = self._memories()
        if any(each[2] == memories for each in kept):
            self._matches, self._useless = self._matches + 1, 0
        else:
            self._useless += 1

    def _quick(self) -> tuple[tuple[object, ...], ...]:
        cores = [core for core in self._device.cores.values() if core.state != "reset"]
        common = self._device.schedule.common
        counted = [core for core in cores if core.runs and core.state == "running" and not self._by_chance]
        earliest = min((common(core, core.time) for core in counted), default=0)
        return tuple(
            (
                core.state,
                core.pc,
                common(core, core.time) - earliest if core in counted else 0,
                core.registers.snapshot(),
            )
            for core in cores
        )

    def _rest(self) -> tuple[object, ...]:
        """What else the cores and the device's registers hold."""
        device = self._device
        now = device.schedule.time()
        cores = [
            (
                core.registers.float_snapshot(),
                core.system.state(time, core.state == "sleeping"),
                core.coming.distances(time),
            )
            for core in device.cores.values()
            for time in [device.schedule.on_core(core, now) if core.state == "sleeping" else core.time]
        ]
        return (*cores, device.registers.state(), tuple(device.reached_goals))

    def _memories(self) -> tuple[object, ...]:
        memories = self._device.memories.values()
        return tuple(each.quick_digest() for each in memories if each.plan.kind == "ram")
