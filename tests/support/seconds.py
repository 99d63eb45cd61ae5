"""Limits on seconds that hold on a slow machine and under measurement too.

A hostile input must end soon: what a limit is there to catch takes minutes, or never ends.  So the limit is
processor time with room above it, and it grows with the pace at which this process runs just now.  How near a
command comes to its limit is a matter of the benchmarks, not of a test.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

NOMINAL = 0.02
"""Seconds that :func:`_turn` takes on a machine of common speed with nothing else to do."""
ROOM = 5
"""How many times its limit work may take: what others do on the machine costs caches, clock and memory too."""
MEASURED = 5
"""How many times as long code takes whose every line and branch is recorded."""


def _turn() -> float:
    """Processor time of a fixed piece of work, in seconds."""
    started = time.process_time()
    total = 0
    for number in range(300_000):
        total ^= number
    return time.process_time() - started


def pace() -> float:
    """How many times as long as usual work takes in this process, at least 1."""
    slow = max(1.0, min(_turn(), _turn()) / NOMINAL)
    return slow * (MEASURED if sys.gettrace() else 1)


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Fail where what is done inside takes far more processor time than ``seconds`` at the usual pace."""
    started = time.process_time()
    yield
    took = time.process_time() - started
    if took > ROOM * seconds:
        assert took <= ROOM * seconds * pace(), f"took {took:.2f} s, its limit is {seconds:g} s"
