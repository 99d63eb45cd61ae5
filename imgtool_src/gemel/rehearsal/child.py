"""The process that emulates: a pickled plan on stdin, the run as JSON on stdout."""

from __future__ import annotations

import pickle
import sys


def main() -> int:
    """Run the plan on stdin; 3 if the emulator is missing or unsuitable, any other failure is an exception."""
    plan = pickle.load(sys.stdin.buffer)  # noqa: S301 (from the process that started this one)
    try:
        import unicorn  # noqa: F401

        from gemel.rehearsal.emulator.runner import run_plan

        run = run_plan(plan)
    except ImportError as error:
        sys.stderr.write(str(error))
        return 3
    from gemel.rehearsal.raw_run import to_json

    sys.stdout.write(to_json(run))
    return 0
