"""Show what ``gemel show --format html`` costs beside ``gemel show``, on two builds of 0.9 MiB.

Run ``python tests/bench/bench_page.py [--rounds 5]``.  Whole processes, both reading the same image and builds.
Exits 1 when the page takes more than 2.5 times as long, or more than 3 MiB.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from big_builds import NAMES, big_builds
from measuring import GEMEL, MIB, environment, interleaved, median_seconds, run, verdict

TARGET, LARGEST = 2.5, 3.0


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=5)
    given = options.parse_args()
    folder, how = big_builds()
    layout, builds = folder / "layout.toml", [f"{name}={folder / name}.elf" for name in NAMES]
    with tempfile.TemporaryDirectory(prefix="gemel-bench-") as work:
        image = Path(work) / "tide.bin"
        run([*GEMEL, "join", str(layout), *builds, "-o", str(image)])
        show = [*GEMEL, "show", str(layout), str(image), *builds]
        page = [*show, "--format", "html"]
        results = interleaved({"show": show, "page": page}, given.rounds)
        size = len(subprocess.run(page, env=environment(), capture_output=True, check=True).stdout)
    seconds = {name: median_seconds(runs) for name, runs in results.items()}
    print(f"two builds of 0.9 MiB, {how}")
    for name, value in seconds.items():
        print(f"{name:5} {value * 1000:7.0f} ms")
    met = [
        verdict("page against show", seconds["page"] / seconds["show"], TARGET),
        verdict("size of the page", size / MIB, LARGEST, " MiB"),
    ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
