"""A wait that code gave up before it came to where it ends: of which register, for which bits.

Drivers wait for a status for some time, and go then to an error loop, a trap or a reset of the device.  What lets a
register that was read again and again be read a few times only, in a run with it, is what they waited for.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.rehearsal.emulator.device_run import run_device
from gemel.rehearsal.emulator.offers import NEAR, is_dead_end
from gemel.rehearsal.kinds import GAVE_UP_BY
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.proposals import Proposal, as_held, proposal, with_proposal
from gemel.rehearsal.raw_run import GivenUp, RawAccess, RawCore, RawEvent, RawRun
from gemel.structs import replace

MIN_READS, MAX_POLLED = 100, 3
"""Reads of a register from which on it was polled, and registers that are tried, those read most often first."""

SIZES = (32, 16, 8, 1)
"""Bits that are tried together: all, then fewer, since some report errors, or that a device is still busy."""

MIN_BLOCKS = 2
"""Blocks of code that a core has to come to that it did not come to before, so that it went on."""

TRIAL = 2_000_000
"""Instructions of a run that tries what a register may read."""


def given_up_waits(plan: DevicePlan, run: RawRun) -> Iterator[GivenUp]:
    """For each core that stays where it reads nothing the wait that it gave up, where bits are found that end it."""
    for core in run.cores:
        event = _loop_of(run, core.name)
        if event is None and not _gave_up(plan, run, core):
            continue
        if event is None or not _waits_still(event):
            polled = [
                each
                for each in run.accesses
                if each.core == core.name and not each.known and each.reads >= MIN_READS
            ]
            for each in sorted(polled, key=lambda one: -one.reads)[:MAX_POLLED]:
                if made := _Search(plan, run, core, each).found():
                    waits = event is not None and event.numbers.get("register") == each.address
                    lines = f"{made.words} # then it {'goes on' if waits else 'does not give up'}"
                    yield GivenUp(core.name, each.address, each.reads, lines)
                    break


def _gave_up(plan: DevicePlan, run: RawRun, core: RawCore) -> bool:
    """Whether a core that is in no loop sleeps without having reached its goals, or ended itself."""
    goals = zip(plan.goals, run.goals, strict=True)
    unreached = any(goal.core == core.name and not done for goal, done in goals)
    ended = any(each.core == core.name and each.kind in GAVE_UP_BY for each in run.events)
    return ended or (core.state == "sleeping" and unreached)


def _waits_still(event: RawEvent) -> bool:
    """Whether a loop waits for what it reads: memory, or a register with which it goes on or that is described."""
    return bool({"described", "memory", "goes_on", "work"} & event.numbers.keys())


def _loop_of(run: RawRun, core: str) -> RawEvent | None:
    return next((each for each in run.events if each.kind == "loops" and each.core == core), None)


class _Search:
    """Looks for the bits of a register that end the waits for it, by runs with them."""

    def __init__(self, plan: DevicePlan, run: RawRun, core: RawCore, polled: RawAccess) -> None:
        self._plan, self._core, self._polled = plan, core, polled
        self._loop, self._goals = _loop_of(run, core.name), sum(run.goals)

    def found(self) -> Proposal | None:
        """What leads to most blocks of code that the core did not come to: what it wrote, else as few bits as do."""
        held = as_held(self._polled.address)
        if self._polled.writes and self._leads_to(held) >= MIN_BLOCKS and self._ends_elsewhere(held):
            return held
        for size in SIZES:
            for first in range(0, 32, size):
                bits = ((1 << size) - 1) << first
                if self._leads_to(self._of(bits)) >= MIN_BLOCKS:
                    made = self._of(self._fewest(bits, size))
                    if self._ends_elsewhere(made):
                        return made
        return None

    def _of(self, bits: int) -> Proposal:
        return proposal(self._plan.registers, self._polled.address, bits)

    def _fewest(self, bits: int, size: int) -> int:
        """``bits`` without those that are not needed, half of them first; those that lead further are better."""
        most = self._leads_to(self._of(bits))
        while size > 1:
            size //= 2
            parts = [((1 << size) - 1) << first for first in range(0, 32, size)]
            while True:
                fewer = {bits & ~part for part in parts} - {0, bits}
                best = max(((self._leads_to(self._of(each)), each) for each in fewer), default=(0, 0))
                if not fewer or best[0] < most:
                    break
                most, bits = best
        return bits

    def _run_with(self, made: Proposal, follow_from: int | None = None) -> RawRun:
        plan = replace(self._plan, registers=with_proposal(self._plan.registers, made), budget=TRIAL)
        polled = (self._core.name, self._polled.address), MIN_READS
        return run_device(plan, follow_from=follow_from, again=True, most_reads=polled)

    def _leads_to(self, made: Proposal) -> int:
        """How many more blocks of code the core executes with an entry; 0 if it polls the register, or comes to an end.

        A further goal counts as if it led far enough.
        """
        trial, name = self._run_with(made), self._core.name
        reads = sum(
            each.reads for each in trial.accesses if (each.core, each.address) == (name, self._polled.address)
        )
        if not 0 < reads < MIN_READS or is_dead_end(trial, name, self._polled.address, MIN_READS):
            return 0
        goals = sum(trial.goals) > self._goals
        return len(set(_core(trial, name).blocks) - set(self._core.blocks)) + MIN_BLOCKS * goals

    def _ends_elsewhere(self, made: Proposal) -> bool:
        """Whether the core does not end where it did, or was called from elsewhere there, or a goal is reached."""
        trial = self._run_with(made, 0)
        loop = _loop_of(trial, self._core.name)
        if sum(trial.goals) > self._goals:
            return True
        if loop is not None and self._loop is not None and loop.calls != self._loop.calls:
            return True
        return abs(_core(trial, self._core.name).pc - self._core.pc) > NEAR


def _core(run: RawRun, name: str) -> RawCore:
    return next(each for each in run.cores if each.name == name)
