"""Time a whole ``gemel join`` against the script that people write today with pyelftools and intelhex.

Run ``python tests/bench/bench_join.py [--rounds 7]``.  Both read the same two builds of about 0.9 MiB code
with full debug information, and write Intel HEX and a raw binary; runs alternate.  gemel also applies
every rule, makes the digests and writes the record.  Before any figure is believed, the bytes of both
areas are compared.  Exits 1 when a target is missed: 0.15 of the script's time, 80 MiB at peak.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from big_builds import AREA, FLASH, NAMES, big_builds
from measuring import GEMEL, MIB, interleaved, median_seconds, most_memory, verdict

RATIO, PEAK = 0.15, 80


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=7, help="counted runs of each (7 or more)")
    options.add_argument("--without-compiler", action="store_true", help="use the tests' own ELF writer")
    given = options.parse_args()
    folder, how = big_builds(compiled=not given.without_compiler)
    builds = [str(folder / f"{name}.elf") for name in NAMES]
    with tempfile.TemporaryDirectory(prefix="gemel-bench-out-") as out:
        ours, theirs = (str(Path(out) / name) for name in ("gemel", "script"))
        script = str(Path(__file__).with_name("script_today.py"))
        results = interleaved(
            {
                "script": [sys.executable, script, *builds, f"{theirs}.hex", f"{theirs}.bin"],
                "gemel join": [
                    *(*GEMEL, "join", str(folder / "layout.toml")),
                    *("-o", f"{ours}.hex", "-o", f"{ours}.bin"),
                ],
            },
            max(7, given.rounds),
        )
        _compare(Path(f"{ours}.hex"), Path(f"{theirs}.hex"))
        _compare(Path(f"{ours}.bin"), Path(f"{theirs}.bin"))
    sizes = ", ".join(f"{Path(build).stat().st_size / MIB:.1f} MiB" for build in builds)
    print(f"two builds ({sizes}), {how}; whole processes, alternating")
    print(f"{'':12} {'median':>9} {'fastest':>9} {'slowest':>9} {'peak':>9}")
    for name, runs in results.items():
        times = sorted(each.seconds * 1000 for each in runs)
        print(
            f"{name:12} {median_seconds(runs) * 1000:6.0f} ms {times[0]:6.0f} ms {times[-1]:6.0f} ms"
            f" {most_memory(runs) / MIB:5.1f} MiB"
        )
    ratio = median_seconds(results["gemel join"]) / median_seconds(results["script"])
    met = [
        verdict("time of gemel join, of the script's", ratio, RATIO),
        verdict("peak memory of gemel join", most_memory(results["gemel join"]) / MIB, PEAK, " MiB"),
    ]
    return 0 if all(met) else 1


def _compare(ours: Path, theirs: Path) -> None:
    """End the benchmark unless both files hold the same bytes in both areas."""
    from intelhex import IntelHex

    texts = []
    for path in (ours, theirs):
        image = IntelHex()
        if path.suffix == ".bin":
            image.loadbin(str(path), offset=FLASH)
        else:
            image.loadhex(str(path))
        texts.append(image.tobinstr(start=FLASH, size=2 * AREA))
    if texts[0] != texts[1]:
        raise SystemExit(f"{ours.name} and {theirs.name} hold different bytes")


if __name__ == "__main__":
    sys.exit(main())
