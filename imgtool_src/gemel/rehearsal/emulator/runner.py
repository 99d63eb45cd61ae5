"""``run_plan``: a device from reset to its end, and again for the calls that lead to its findings."""

from __future__ import annotations

from gemel.rehearsal.emulator.device_run import run_device
from gemel.rehearsal.emulator.given_up_waits import given_up_waits
from gemel.rehearsal.emulator.offers import offered_besides, with_offer
from gemel.rehearsal.emulator.release_offers import release_offers, restart_notes
from gemel.rehearsal.emulator.run_result import is_finding, with_calls
from gemel.rehearsal.kinds import FATAL
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.proposals import proposal, with_proposal
from gemel.rehearsal.raw_run import RawEvent, RawRun
from gemel.structs import replace

FOLLOWED_WHOLE = 1_000_000
"""A run whose first finding comes before this is followed from its start, so that its calls are whole."""

FOLLOWED_BEFORE = 250_000
"""Instructions before the first finding that are followed in a longer run."""

MAX_FOLLOWED, MARGIN = 1_500_000, 20_000

TRIAL, MAX_TRIALS = 2_000_000, 6
"""Instructions of a run that tries what a loop waits for, and how many of them: start-up may wait several times."""

MAX_LOOKS = 64
"""Reads of a register after which a loop over it looks for work, rather than waits once."""


def run_plan(plan: DevicePlan) -> RawRun:
    """Run a device; if it has findings, run it again and follow the calls that lead there.

    Both runs do the same, as nothing in the device depends on anything outside it.
    """
    result, plan = run_device(plan), replace(plan, traced=False)
    stays = {"loops"} if result.time < FOLLOWED_WHOLE else set()
    times = [event.time for event in result.events if is_finding(event) or event.kind in stays]
    if plan.exact and times:
        first = min(times)
        follow_from = 0 if first < FOLLOWED_WHOLE else first - FOLLOWED_BEFORE
        until = min(max(times), follow_from + MAX_FOLLOWED)
        ends_there = until + MARGIN >= result.time
        result = with_calls(
            result,
            run_device(plan, follow_from=follow_from, until=None if ends_there else until, again=True),
        )
    events = [with_offer(plan, event) for event in result.events]
    events = events if plan.goals else [_tried(plan, result, event) for event in events]
    notes = [*result.notes, *restart_notes(plan, result), *offered_besides(plan, result)]
    events.sort(key=lambda event: event.time)
    result = replace(
        result, events=tuple(events), notes=tuple(notes), offers=tuple(release_offers(plan, result))
    )
    return replace(result, given_up=tuple(given_up_waits(plan, result)))


def _tried(plan: DevicePlan, run: RawRun, event: RawEvent) -> RawEvent:
    """Where interrupts come and no goal says what is to be reached: does a loop over a register only wait for it.

    The device runs again, with the register as the loop wants it.  A wait is over then, and its core goes on;
    a loop that looks for work finds some again and again.
    """
    numbers = event.numbers
    if event.kind != "loops" or not numbers["interrupts"] or "bits" not in numbers:
        return event
    register = numbers.get("register", numbers.get("described", 0))
    budget, described, waits = min(run.time, TRIAL), plan.registers, event
    for _ in range(MAX_TRIALS):
        wanted = waits.numbers.get("register", waits.numbers.get("described", 0))
        described = with_proposal(described, proposal(described, wanted, waits.numbers["bits"]))
        trial = run_device(replace(plan, registers=described, budget=budget), again=True)
        reads = {each.address: each.reads for each in trial.accesses if each.core == event.core}
        if not 0 < reads.get(register, 0) <= MAX_LOOKS or any(each.kind in FATAL for each in trial.events):
            return event
        again = [each for each in trial.events if each.kind == "loops" and each.core == event.core]
        if not again or not {"register", "lacking"} & again[0].numbers.keys():
            return replace(event, numbers={**numbers, "only": 1})
        waits = again[0]
        if "bits" not in waits.numbers:
            return event
    return event
