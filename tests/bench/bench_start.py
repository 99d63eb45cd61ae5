"""Time gemel's commands on the tide gauge against the start of a bare interpreter (``python -c pass``).

Run ``python tests/bench/bench_start.py [--rounds 21]``; runs alternate.  Exits 1 when a command takes more than its
target, in times of a bare start.  What is imported is held by ``tests/reliability/test_imports.py``.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from measuring import GEMEL, ROOT, environment, interleaved, median_seconds, verdict

LAYOUT = str(ROOT / "layouts/tide-gauge-in-place.toml")
BUILDS = tuple(
    f"{name}={ROOT}/testdata/tide-gauge/built/in-place/{name}.elf" for name in ("station", "sampler")
)
TARGETS = {"join": 10, "check": 9, "show": 8, "explain": 5, "--help": 4}
"""The most that each may take, in times of a bare start."""


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=21)
    rounds = options.parse_args().rounds
    with tempfile.TemporaryDirectory(prefix="gemel-bench-start-") as folder:
        image = str(Path(folder) / "tide.bin")
        commands = {
            "bare": [sys.executable, "-c", "pass"],
            "join": [*GEMEL, "join", LAYOUT, *BUILDS, "-o", image],
            "check": [*GEMEL, "check", LAYOUT, image],
            "show": [*GEMEL, "show", LAYOUT, image],
            "explain": [*GEMEL, "explain"],
            "--help": [*GEMEL, "--help"],
        }
        subprocess.run(commands["join"], env=environment(), stdout=subprocess.DEVNULL, check=True)
        results = interleaved(commands, rounds)
        slowest = _slowest(commands["join"])
    bare = median_seconds(results["bare"])
    print(f"{'':10} {'median':>10} {'fastest':>10} {'of bare':>8}")
    for name, runs in results.items():
        fastest = min(each.seconds for each in runs) * 1000
        print(
            f"{name:10} {median_seconds(runs) * 1000:7.1f} ms {fastest:7.1f} ms {median_seconds(runs) / bare:8.2f}"
        )
    print("slowest imports of join, each without what it imports itself:")
    for microseconds, module in slowest:
        print(f"{microseconds / 1000:8.1f} ms  {module}")
    met = [
        verdict(f"gemel {name}, of a bare start", median_seconds(results[name]) / bare, target)
        for name, target in TARGETS.items()
    ]
    return 0 if all(met) else 1


def _slowest(command: list[str]) -> list[tuple[int, str]]:
    timed = [command[0], "-X", "importtime", *command[1:]]
    done = subprocess.run(timed, env=environment(), capture_output=True, text=True, check=True)
    rows = [line.split(":", 1)[1].split("|") for line in done.stderr.splitlines() if line.count("|") == 2]
    times = [(int(row[0]), row[2].strip()) for row in rows if row[0].strip().isdigit()]
    return sorted(times, reverse=True)[:8]


if __name__ == "__main__":
    sys.exit(main())
