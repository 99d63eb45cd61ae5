"""A run of the emulated device, until something ends it.

The core with the least time runs, up to a little ahead of the others (``schedule``), so that an event of one core has
its place among those of the others.
"""

from __future__ import annotations

from gemel.rehearsal.emulator.device import Device
from gemel.rehearsal.emulator.loop_probe import probe_busy, probe_loops, probe_sleepers
from gemel.rehearsal.emulator.released_loops import released_cores
from gemel.rehearsal.emulator.run_result import result_of
from gemel.rehearsal.emulator.same_state import SameState
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawRun
from gemel.structs import replace

GRACE = 4_000_000
"""Instructions that the device still gets after a fault from which no core recovers: time to report it."""

LAST_LINE = 50_000
"""Instructions that the device still gets after its last goal to end the lines of text that were begun."""

LOOK_EVERY, LOOK_FRACTION = 4096, 1024
"""Instructions between two looks for a repeating state; in long runs this part of the time."""


def run_device(
    plan: DevicePlan, *, follow_from: int | None = None, until: int | None = None, again: bool = False
) -> RawRun:
    """Run a device from its primary's reset to its end, or to time ``until``.

    Calls are followed from time ``follow_from`` on, if given.  A run ``again`` does not say which cores are released
    from their waits.
    """
    return _Run(Device(plan, follow_from)).to_end(until, again)


class _Run:
    def __init__(self, device: Device) -> None:
        self._device = device
        self._done_at: int | None = None
        self._same = SameState(device)
        device.look_at = LOOK_EVERY

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
                # In steps and from this look on: a device that repeats is looked at in the same states again.
                device.look_at = time + max(LOOK_EVERY, (1 << time.bit_length()) // (2 * LOOK_FRACTION))
                ended = self._end(time)
        if ended == "same state":
            device.repeats_since = self._same.since
            probe_loops(device)
        elif ended == "budget":
            probe_busy(device)
        if ended in ("asleep", "same state", "budget"):
            probe_sleepers(device)
        if ended != "replayed":
            device.finish(ended)
        result = result_of(device, ended)
        if ended not in ("budget", "same state") or device.plan.goals or again:
            return result
        released = released_cores(device)
        cores = (replace(each, released=each.name in released) for each in result.cores)
        return replace(result, cores=tuple(cores))

    def _end(self, time: int) -> str:
        """Why the run ends here; empty if it goes on."""
        if self._all_done(time):
            return "goals"
        fault = self._device.log.first_fault
        if fault is not None and time > fault + GRACE:
            return "finding"
        if time >= self._device.ends_at and not self._sleep_given_back(time):
            return "budget"
        if self._same.again():
            return "finding" if fault is not None else "same state"
        return ""

    def _sleep_given_back(self, time: int) -> bool:
        """Whether time that was slept away counts again for goals that are not reached: a later end of the run."""
        device = self._device
        if all(device.reached_goals):
            return False
        spent = max(core.instructions + core.sleep.spent for core in device.cores.values())
        left = device.plan.budget - spent
        device.ends_at = time + max(0, left)
        return left > 0

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
