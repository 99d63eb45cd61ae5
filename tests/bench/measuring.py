"""Whole processes, measured: wall time and peak memory of a child (POSIX)."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GEMEL = (sys.executable, "-c", "from gemel.cli.entry import run; run()")
"""gemel as the installed command starts it, without the installed command."""

KIB, MIB = 1 << 10, 1 << 20


@dataclass(frozen=True, slots=True)
class Measured:
    """One run: seconds of wall time, and the most memory that it held, in bytes."""

    seconds: float
    peak: int


def run(command: Sequence[str], *, codes: tuple[int, ...] = (0,)) -> Measured:
    """Run a command to its end; raises SystemExit with what it said unless its exit code is in ``codes``.

    The child starts from this process's memory: keep that small, its size counts as the child's.
    """
    started = time.perf_counter()
    child = subprocess.Popen(
        command,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    said = child.stderr.read() if child.stderr else b""
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - started
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.stderr:
        child.stderr.close()
    if child.returncode not in codes:
        raise SystemExit(f"{' '.join(command)} ended with {child.returncode}:\n{said.decode()}")
    unit = 1 if sys.platform == "darwin" else KIB
    return Measured(seconds, usage.ru_maxrss * unit)


def environment() -> dict[str, str]:
    """This process's, with this tree's gemel, and byte code kept as an installed package's is."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    path = os.pathsep.join([str(ROOT / "imgtool_src"), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    cache = str(Path(tempfile.gettempdir()) / "gemel-bench-bytecode")
    return {**kept, "PYTHONPATH": path, "PYTHONPYCACHEPREFIX": cache}


def interleaved(commands: Mapping[str, Sequence[str]], rounds: int) -> dict[str, list[Measured]]:
    """Every command once a round, after one round that does not count (it fills the caches)."""
    for command in commands.values():
        run(command)
    results: dict[str, list[Measured]] = {name: [] for name in commands}
    for _ in range(rounds):
        for name, command in commands.items():
            results[name].append(run(command))
    return results


def median_seconds(runs: Sequence[Measured]) -> float:
    """Median of the wall times."""
    return statistics.median(each.seconds for each in runs)


def most_memory(runs: Sequence[Measured]) -> int:
    """The highest peak of all runs, in bytes."""
    return max(each.peak for each in runs)


def verdict(name: str, value: float, limit: float, unit: str = "") -> bool:
    """Print one target with what was measured; whether it is met."""
    met = value <= limit
    print(f"{'met   ' if met else 'MISSED'} {name}: {value:.3g}{unit}, target {limit:g}{unit} or less")
    return met
