"""Running a device in a process of its own: a crash of the emulator's library must not be ours.

The other process gets the plan pickled, from us, and answers with JSON, which cannot do more than be wrong.
It is started isolated.
"""

from __future__ import annotations

import pickle
import subprocess

from gemel.isolated import isolated
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawRun, from_json

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
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise EmulatorEnded(f"its answer makes no sense: {error}") from error


def _how(code: int, stderr: bytes) -> str:
    if code < 0:
        import signal

        try:
            return f"it crashed ({signal.Signals(-code).name})"
        except ValueError:
            return f"it crashed (signal {-code})"
    lines = stderr.decode("utf-8", "replace").strip().splitlines()
    return f"it ended with {code}" + (f": {lines[-1]}" if lines else "")
