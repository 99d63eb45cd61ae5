"""``rehearse``: from layout, image and builds to a rehearsal, run in a process of its own.

The other process gets the plan pickled, from us, and answers with JSON, which cannot do more than be wrong.
It is started isolated.
"""

from __future__ import annotations

import pickle
import subprocess
from collections.abc import Mapping
from typing import Any

from gemel.builds.build import Build
from gemel.builds.source import ByteSource
from gemel.errors import ExtraMissing, Problem
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.isolated import how_it_ended, isolated
from gemel.layout.reader import ReadLayout
from gemel.progress import step
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawRun, from_json, to_json
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.setup.planning import plan_of
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.judging import ended_outside, rehearsal_of
from gemel.rehearsal.verdict.orders import sleeps_for_good, slept_for_others, worst_of
from gemel.rehearsal.verdict.races import races_of
from gemel.structs import Struct, replace

PATIENCE, MIN_PATIENCE = 20, 2_000_000
"""Another order of the cores gets so many times what the first one took to its goals, and at least so much more."""

SLOWEST = 5
"""Times what the first order took that another one gets in any case: a core may be four times as slow there."""


class RehearsalOptions(Struct):
    """How to rehearse.

    ``budget`` (instructions a core; None: the layout's, else 20 million), ``watches`` (names of
    ``fine_watches.WATCHES``), ``isolate`` (in a process of its own, so that a crash of the emulator is a
    finding; without it a crash is yours), ``exact`` (a second run that follows calls), ``interleavings`` (so
    many other orders of the cores are tried too: other speeds, other moments of ticks and events of devices,
    interrupts right before a sleep, and races turned round; the result is the worst).
    """

    budget: int | None = None
    watches: tuple[str, ...] = ()
    isolate: bool = True
    exact: bool = True
    interleavings: int = 0


def rehearse(
    read: ReadLayout,
    image: SparseBytes,
    builds: Mapping[str, Build] | None = None,
    options: RehearsalOptions | None = None,
    sources: Mapping[str, ByteSource] | None = None,
) -> Rehearsal:
    """Run the reset code of both cores from the bytes of ``image`` in the device that ``read`` describes.

    ``builds`` (by name) give functions and what was copied, ``sources`` (the same builds' ELF files) source
    lines.  Two calls with the same arguments give equal results.  Raises ExtraMissing without the emulator,
    CannotRehearse (a GemelError) for a device that it cannot map or an image without a start.
    """
    options = options or RehearsalOptions()
    inspection = Inspection(read, image, builds or {})
    plan = plan_of(inspection, options.budget, options.watches, options.exact)
    names = CodeNames(inspection, sources or {})
    step("rehearsal", 0, options.interleavings + 1 if options.interleavings else 0)
    if not options.interleavings:
        return _rehearsed(inspection, plan, names, options.isolate)[0]
    orders: list[tuple[Rehearsal, RawRun | None]] = []
    other_moments: set[int] = set()

    def run_order(**changed: Any) -> None:
        first = orders[0][1] if orders else None
        budget = plan.budget
        if first and first.ended == "goals":
            budget = min(PATIENCE * first.time + MIN_PATIENCE, max(budget, SLOWEST * first.time))
        order = replace(plan, traced=True, budget=budget, **changed)
        if order.other_moments:
            other_moments.add(len(orders))
        orders.append(_rehearsed(inspection, order, names, options.isolate))
        step("rehearsal", len(orders), options.interleavings + 1)

    by_chance = (options.interleavings + 1) // 2
    for number in range(by_chance + 1):
        run_order(interleaving=number)
    left, runs = options.interleavings - by_chance, [run for _, run in orders if run is not None]
    slept = slept_for_others(plan, runs)[: (left + 1) // 2]
    for place in slept:
        run_order(pause=place)
        result, run = orders[-1]
        if run and not (result.passes or sleeps_for_good(run, place)):
            orders.pop()  # the other core may have had no patience for so long a pause
    for race in races_of(runs)[: options.interleavings + 1 - len(orders)]:
        run_order(pause=(race.first.core, race.first.pc))
    for number in range(len(orders), options.interleavings + 1):
        run_order(interleaving=number)
    return worst_of(orders, names, slept, other_moments)


def _rehearsed(
    inspection: Inspection, plan: DevicePlan, names: CodeNames, isolate: bool
) -> tuple[Rehearsal, RawRun | None]:
    try:
        if isolate:
            run = run_isolated(plan)
        else:
            from gemel.rehearsal.emulator.runner import run_plan

            run = from_json(to_json(run_plan(plan)))  # what the other way says, to the byte
    except EmulatorEnded as error:
        return ended_outside(inspection, plan, str(error)), None
    except (ImportError, EmulatorMissing) as error:
        raise ExtraMissing(extra_problem(str(error))) from error
    return rehearsal_of(inspection, plan, run, names), run


def extra_problem(found: str) -> Problem:
    """What to install for a rehearsal; ``found`` is what the import said."""
    return Problem(
        "a rehearsal needs an emulator that is not installed, or not in a version that fits",
        found=found,
        expected="the emulator unicorn",
        next_step="pip install 'gemel[rehearse]'",
    )


SECONDS_TO_START = 60
INSTRUCTIONS_A_SECOND = 200_000
"""Slower than any machine: the time limit is a last resort, a run ends by its budget of instructions."""

CHILD = "import sys; from gemel.rehearsal.child import main; sys.exit(main())"
"""What the other process executes."""

EXTRA_MISSING = 3


class EmulatorEnded(Exception):
    """The process with the emulator ended without a result; the text says how."""


class EmulatorMissing(Exception):
    """The emulator is not installed."""


def run_isolated(plan: DevicePlan) -> RawRun:
    """Run ``plan`` in another process.

    Raises EmulatorEnded if that crashes, answers nonsense or takes so long that only a fault can be the cause,
    EmulatorMissing if the emulator is not installed.
    """
    limit = SECONDS_TO_START + 4 * plan.budget / INSTRUCTIONS_A_SECOND
    try:
        done = subprocess.run(
            **isolated(CHILD), input=pickle.dumps(plan), capture_output=True, timeout=limit, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise EmulatorEnded(f"no answer after {limit:,.0f} seconds; it was stopped") from error
    if done.returncode == EXTRA_MISSING:
        raise EmulatorMissing(done.stderr.decode("utf-8", "replace").strip())
    if done.returncode:
        raise EmulatorEnded(_how(done.returncode, done.stderr))
    try:
        return from_json(done.stdout.decode("ascii"))
    except (ValueError, RecursionError) as error:
        raise EmulatorEnded(f"its answer makes no sense: {error}") from error


def _how(code: int, stderr: bytes) -> str:
    lines = stderr.decode("utf-8", "replace").strip().splitlines() if code > 0 else []
    return ": ".join((how_it_ended(code), *lines[-1:]))
