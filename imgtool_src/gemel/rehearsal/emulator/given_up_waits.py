"""A wait that code gave up, before it came to the loop that it stays in: of which register, and for which bits.

Drivers wait for a status for some time, and go to an error loop then, which reads nothing.  What lets a register that
was read again and again be read a few times only, in a run with it, is what they waited for.
"""

from __future__ import annotations

from gemel.layout.rehearsal_model import ALL_BITS
from gemel.rehearsal.emulator.device_run import run_device
from gemel.rehearsal.kinds import FATAL
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.proposals import proposal, with_proposal
from gemel.rehearsal.raw_run import RawAccess, RawEvent, RawRun
from gemel.structs import replace

LEAST_READS, MAX_POLLED = 100, 3
"""Reads of a register from which on it was polled, and registers that are tried, those read most often first."""

LEAST_BLOCKS = 2
"""Blocks of code that a core has to come to that it did not come to before, so that it went on."""

TRIAL = 2_000_000
"""Instructions of a run that tries what a register may read."""


def with_given_up(plan: DevicePlan, run: RawRun, event: RawEvent) -> RawEvent:
    """With ``lines`` to add to the layout where a core that loops had given up a wait for the register ``gave_up``.

    ``reads`` is how often it was read.
    """
    if event.kind != "loops" or {"register", "described", "memory"} & event.numbers.keys():
        return event
    polled = [
        each
        for each in run.accesses
        if each.core == event.core and not each.known and each.reads >= LEAST_READS
    ]
    known = _blocks(run, event.core)
    for each in sorted(polled, key=lambda one: -one.reads)[:MAX_POLLED]:
        if bits := _awaited(plan, each, known):
            lines = f"{proposal(plan.registers, each.address, bits).words} # then it does not give up"
            numbers = {**event.numbers, "gave_up": each.address, "reads": each.reads}
            return replace(event, numbers=numbers, words={**event.words, "lines": lines})
    return event


def _awaited(plan: DevicePlan, polled: RawAccess, known: set[int]) -> int:
    """As few bits of a register as end the waits for it and lead to most blocks that are not ``known``; 0: none do.

    Bits that report an error end a wait too, and lead to a block or none before the error loop.
    """
    bits, most = ALL_BITS, _leads_to(plan, polled, ALL_BITS, known)
    if most < LEAST_BLOCKS:
        return 0
    for size in (16, 8, 4, 2, 1):
        for first in range(0, 32, size):
            fewer = bits & ~((1 << size) - 1 << first)
            if fewer not in (0, bits) and _leads_to(plan, polled, fewer, known) >= most:
                bits = fewer
    return bits


def _leads_to(plan: DevicePlan, polled: RawAccess, bits: int, known: set[int]) -> int:
    """How many more blocks of code the core executes where the register reads ``bits``; 0 if it polls it, or faults."""
    registers = with_proposal(plan.registers, proposal(plan.registers, polled.address, bits))
    trial = run_device(replace(plan, registers=registers, budget=TRIAL), again=True)
    times = (
        each.reads for each in trial.accesses if (each.core, each.address) == (polled.core, polled.address)
    )
    faults = any(each.core == polled.core and each.kind in FATAL for each in trial.events)
    ended = 0 < sum(times) < LEAST_READS and not faults
    return len(_blocks(trial, polled.core) - known) if ended else 0


def _blocks(run: RawRun, core: str) -> set[int]:
    return next(set(each.blocks) for each in run.cores if each.name == core)
