"""Time ``gemel --help`` against the start of a bare interpreter, and say what it imports.

Run ``python tests/bench/bench_start.py [--rounds 21]``; runs alternate.  Exits 1 when the help takes more
than 5 times a bare start (``python -c pass``).
"""

from __future__ import annotations

import argparse
import subprocess
import sys

from measuring import GEMEL, environment, interleaved, median_seconds, verdict

LIMIT = 5
COMMANDS = (("--help",), ("join", "--help"), ("check", "--help"))


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=21)
    rounds = options.parse_args().rounds
    commands = {"python -c pass": [sys.executable, "-c", "pass"]}
    commands |= {f"gemel {' '.join(words)}": [*GEMEL, *words] for words in COMMANDS}
    results = interleaved(commands, rounds)
    bare = median_seconds(results["python -c pass"])
    print(f"{'':18} {'median':>10} {'of bare':>8}")
    for name, runs in results.items():
        print(f"{name:18} {median_seconds(runs) * 1000:7.1f} ms {median_seconds(runs) / bare:8.2f}")
    print("slowest imports of gemel --help, each without what it imports itself:")
    for microseconds, module in _slowest():
        print(f"{microseconds / 1000:8.1f} ms  {module}")
    return (
        0
        if verdict("gemel --help, of a bare start", median_seconds(results["gemel --help"]) / bare, LIMIT)
        else 1
    )


def _slowest() -> list[tuple[int, str]]:
    command = [sys.executable, "-X", "importtime", *GEMEL[1:], "--help"]
    done = subprocess.run(command, env=environment(), capture_output=True, text=True, check=True)
    rows = [line.split(":", 1)[1].split("|") for line in done.stderr.splitlines() if "|" in line]
    times = [(int(row[0]), row[2].strip()) for row in rows if row[0].strip().isdigit()]
    return sorted(times, reverse=True)[:8]


if __name__ == "__main__":
    sys.exit(main())
