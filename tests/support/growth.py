"""What work costs against other work, by processor time: right on a busy machine too.

Pieces of work are run in turn, so that all meet the same load, and of each the least time of some rounds
counts.  What takes time in proportion to its input grows by the factor between two sizes, what is quadratic
by its square; a limit well between the two holds whatever else the machine does.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Hashable, Mapping
from typing import TypeVar

Work = Callable[[], object]
Name = TypeVar("Name", bound=Hashable)


def least_times(work: Mapping[Name, Work], rounds: int) -> dict[Name, float]:
    """The least processor time of each piece of work, in seconds."""
    least = dict.fromkeys(work, float("inf"))
    for _ in range(rounds):
        for name, run in work.items():
            started = time.process_time()
            run()
            least[name] = min(least[name], time.process_time() - started)
    return least


def growth(prepare: Callable[[int], Work], small: int, factor: int, rounds: int = 3) -> float:
    """How many times as long ``prepare(small * factor)()`` takes as ``prepare(small)()``; preparing is free."""
    least = least_times({size: prepare(size) for size in (small, small * factor)}, rounds)
    return least[small * factor] / least[small]
