"""A wait that code gave up, before it came to the loop or sleep that it stays in: of which register, for which bits.

Drivers wait for a status for some time, and go to an error loop then, which reads nothing.  What lets a register that
was read again and again be read a few times only, in a run with it, is what they waited for.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.rehearsal.emulator.device_run import run_device
from gemel.rehearsal.emulator.offers import NEAR
from gemel.rehearsal.kinds import FATAL
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.proposals import proposal, with_proposal
from gemel.rehearsal.raw_run import GivenUp, RawAccess, RawCore, RawEvent, RawRun
from gemel.structs import replace

LEAST_READS, MAX_POLLED = 100, 3
"""Reads of a register from which on it was polled, and registers that are tried, those read most often first."""

SIZES = (32, 16, 8)
"""Bits that are tried together: all, then fewer, since some report errors, or that a device is still busy."""

LEAST_BLOCKS = 2
"""Blocks of code that a core has to come to that it did not come to before, so that it went on."""

TRIAL = 2_000_000
"""Instructions of a run that tries what a register may read."""


def given_up_waits(plan: DevicePlan, run: RawRun) -> Iterator[GivenUp]:
    """For each core that stays where it reads nothing the wait that it gave up, where bits are found that end it."""
    for core in run.cores:
        event = _loop_of(run, core.name)
        unreached = any(
            goal.core == core.name and not done for goal, done in zip(plan.goals, run.goals, strict=True)
        )
        if event is None and not (core.state == "sleeping" and unreached):
            continue
        if event is None or not {"register", "described", "memory"} & event.numbers.keys():
            polled = [
                each
                for each in run.accesses
                if each.core == core.name and not each.known and each.reads >= LEAST_READS
            ]
            for each in sorted(polled, key=lambda one: -one.reads)[:MAX_POLLED]:
                if bits := _Search(plan, run, core, each).found():
                    lines = f"{proposal(plan.registers, each.address, bits).words} # then it does not give up"
                    yield GivenUp(core.name, each.address, each.reads, lines)
                    break


def _loop_of(run: RawRun, core: str) -> RawEvent | None:
    return next((each for each in run.events if each.kind == "loops" and each.core == core), None)


class _Search:
    """Looks for the bits of a register that end the waits for it, by runs with them."""

    def __init__(self, plan: DevicePlan, run: RawRun, core: RawCore, polled: RawAccess) -> None:
        self._plan, self._core, self._polled = plan, core, polled
        self._loop, self._goals = _loop_of(run, core.name), sum(run.goals)

    def found(self) -> int:
        """As few bits as lead to most blocks of code that the core did not come to; 0 if none do."""
        for size in SIZES:
            for first in range(0, 32, size):
                bits = ((1 << size) - 1) << first
                if self._leads_to(bits) >= LEAST_BLOCKS:
                    bits = self._fewest(bits, size)
                    if self._ends_elsewhere(bits):
                        return bits
        return 0

    def _fewest(self, bits: int, size: int) -> int:
        """``bits`` without those that are not needed, half of them first; those that lead further are better."""
        most = self._leads_to(bits)
        while size > 1:
            size //= 2
            parts = [((1 << size) - 1) << first for first in range(0, 32, size)]
            while True:
                fewer = {bits & ~part for part in parts} - {0, bits}
                best = max(((self._leads_to(each), each) for each in fewer), default=(0, 0))
                if not fewer or best[0] < most:
                    break
                most, bits = best
        return bits

    def _run_with(self, bits: int, follow_from: int | None = None) -> RawRun:
        registers = with_proposal(
            self._plan.registers, proposal(self._plan.registers, self._polled.address, bits)
        )
        plan = replace(self._plan, registers=registers, budget=TRIAL)
        return run_device(plan, follow_from=follow_from, again=True)

    def _leads_to(self, bits: int) -> int:
        """How many more blocks of code the core executes with these bits; 0 if it polls the register, or faults.

        A further goal counts as if it led far enough.
        """
        trial, name = self._run_with(bits), self._core.name
        reads = sum(
            each.reads for each in trial.accesses if (each.core, each.address) == (name, self._polled.address)
        )
        faults = any(each.core == name and each.kind in FATAL for each in trial.events)
        if faults or not 0 < reads < LEAST_READS:
            return 0
        goals = sum(trial.goals) > self._goals
        return len(set(_core(trial, name).blocks) - set(self._core.blocks)) + LEAST_BLOCKS * goals

    def _ends_elsewhere(self, bits: int) -> bool:
        """Whether the core does not end where it did, or was called from elsewhere there."""
        trial = self._run_with(bits, 0)
        loop = _loop_of(trial, self._core.name)
        if loop is not None and self._loop is not None and loop.calls != self._loop.calls:
            return True
        return abs(_core(trial, self._core.name).pc - self._core.pc) > NEAR


def _core(run: RawRun, name: str) -> RawCore:
    return next(each for each in run.cores if each.name == name)
