"""Show that the cost of ``gemel join`` and ``gemel check`` grows with the image and not faster.

Run ``python tests/bench/bench_scale.py [--rounds 3] [--largest 64]``.  Whole processes on images of 1, 4, 16
and 64 MiB: two ELF builds that fill their areas, Intel HEX and raw binary written, the HEX checked again
with the builds.  Exits 1 when a MiB of the largest image costs more than 1.5 times a MiB of the one
before it, or when more memory is held than 4 times the image and what gemel takes for one of 16 KiB.
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import sys
import tempfile
from pathlib import Path

from big_builds import NAMES, layout_text, written_build
from measuring import GEMEL, KIB, MIB, Measured, interleaved, median_seconds, most_memory, verdict

GROWTH, MEMORY = 1.5, 4
SMALLEST = 16 * KIB


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--largest", type=int, default=64, metavar="MIB")
    options.add_argument("--make", nargs=2, help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.make:
        _make(Path(given.make[0]), int(given.make[1]))
        return 0
    sizes = [size * MIB for size in (1, 4, 16, 64, 256) if size <= given.largest]
    results = {size: _measured(size, given.rounds) for size in (SMALLEST, *sizes)}
    print(f"{'image':>9}  {'command':8} {'median':>10} {'a MiB':>10} {'peak':>10} {'of image':>9}")
    met = []
    for command in ("join", "check"):
        own = most_memory(results[SMALLEST][command])
        for size, runs in results.items():
            seconds, peak = median_seconds(runs[command]), most_memory(runs[command])
            print(
                f"{size // KIB:5,} KiB  {command:8} {seconds * 1000:7.0f} ms"
                f" {seconds * 1000 * MIB / size:7.1f} ms {peak / MIB:6.1f} MiB {(peak - own) / size:9.2f}"
            )
        costs = [_cost(results, command, *pair) for pair in itertools.pairwise(sizes)]
        worst = max((most_memory(results[size][command]) - own) / size for size in sizes)
        met.append(verdict(f"{command}: memory over gemel's own, of the image", worst, MEMORY))
        if len(costs) > 1:
            met.append(
                verdict(
                    f"{command}: cost of a further MiB, of the step before", costs[-1] / costs[-2], GROWTH
                )
            )
    return 0 if all(met) else 1


def _cost(results: dict[int, dict[str, list[Measured]]], command: str, small: int, large: int) -> float:
    """Seconds that each byte of the larger image costs more than the smaller one took."""
    return (median_seconds(results[large][command]) - median_seconds(results[small][command])) / (
        large - small
    )


def _measured(size: int, rounds: int) -> dict[str, list[Measured]]:
    with tempfile.TemporaryDirectory(prefix="gemel-bench-scale-") as work:
        # In another process: what this one has held counts as its children's.
        subprocess.run([sys.executable, __file__, "--make", work, str(size)], check=True)
        layout, image = f"{work}/layout.toml", f"{work}/image.hex"
        builds = [f"{name}={work}/{name}.elf" for name in NAMES]
        commands = {
            "join": [*GEMEL, "join", layout, *builds, "-o", image, "-o", f"{work}/image.bin"],
            "check": [*GEMEL, "check", layout, image, *builds],
        }
        return interleaved(commands, rounds)


def _make(folder: Path, size: int) -> None:
    area = size // 2
    (folder / "layout.toml").write_text(layout_text(area), encoding="utf-8")
    for name in NAMES:
        (folder / f"{name}.elf").write_bytes(written_build(name, area, area - 64))


if __name__ == "__main__":
    sys.exit(main())
