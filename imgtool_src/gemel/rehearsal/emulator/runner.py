"""``run_plan``: a device from reset to its end, and again for the calls that lead to its findings."""

from __future__ import annotations

from gemel.rehearsal.emulator.device import Device
from gemel.rehearsal.emulator.run_result import is_finding, with_calls
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawRun
from gemel.structs import replace

FOLLOWED_WHOLE = 1_000_000
"""A run whose first finding comes before this is followed from its start, so that its calls are whole."""

FOLLOWED_BEFORE = 250_000
"""Instructions before the first finding that are followed in a longer run."""

MAX_FOLLOWED, MARGIN = 1_500_000, 20_000


def run_plan(plan: DevicePlan) -> RawRun:
    """Run a device; if it has findings, run it again and follow the calls that lead there.

    Both runs do the same, as nothing in the device depends on anything outside it.
    """
    result = Device(plan).run()
    times = [event.time for event in result.events if is_finding(event)]
    if plan.exact and times:
        first = min(times)
        follow_from = 0 if first < FOLLOWED_WHOLE else first - FOLLOWED_BEFORE
        until = min(max(times), follow_from + MAX_FOLLOWED)
        ends_there = until + MARGIN >= result.time
        result = with_calls(result, Device(plan, follow_from).run(None if ends_there else until))
    return replace(result, events=tuple(sorted(result.events, key=lambda event: event.time)))
