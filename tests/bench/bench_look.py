"""Time ``gemel compare`` against ``gemel check``, and ``gemel where`` against reading the builds' symbols.

Run ``python tests/bench/bench_look.py [--rounds 5]``.  The two builds of 0.9 MiB code with debug information are
joined in two versions, and a third time with all of their code and data moved.  Whole processes run in turn, and the
fastest of each counts.  The baseline of ``where`` is a process that reads both builds with gemel and goes through all
their symbols.  Before any figure is believed the results are looked at: the images differ in the version, all symbols
only moved, and the address has its symbol.  Exits 1 when a target is missed: compare at most 2.5 times a check and in
under 1 s, where at most 1.3 times reading the symbols.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from big_builds import NAMES, big_builds
from measuring import GEMEL, environment, run, verdict

COMPARE, WHERE, SECONDS = 2.5, 1.3, 1.0
READ = """
import sys, gemel
builds = gemel.load_builds(None, dict(text.split("=") for text in sys.argv[1:]))
assert sum(1 for build in builds.values() for symbol in build.symbols.all()) > 1000
"""


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=5, help="runs of each (5 or more)")
    given = options.parse_args()
    made, how = big_builds()
    print(how)
    layout, files = str(made / "layout.toml"), [f"{name}={made / name}.elf" for name in NAMES]
    moved = [f"{name}={made / name}-moved.elf" for name in NAMES if (made / f"{name}-moved.elf").is_file()]
    if not moved:
        print("compare of moved builds: not measured, it needs the compiler")
    with tempfile.TemporaryDirectory(prefix="gemel-bench-look-") as folder:
        images = [str(Path(folder) / f"{version}.hex") for version in ("1.4.1", "1.4.2")]
        for image, version in zip(images, ("1.4.1", "1.4.2"), strict=True):
            run([*GEMEL, "join", layout, *files, "-o", image, "--version", version])
        old = [f"old:{file}" for file in files]
        if moved:
            images.append(str(Path(folder) / "moved.hex"))
            run([*GEMEL, "join", layout, *moved, "-o", images[2]])
        works = {
            "check": [*GEMEL, "check", layout, images[1], *files],
            "compare": [*GEMEL, "compare", layout, *images[:2], *old, *files],
            "read symbols": [sys.executable, "-c", READ, *files],
            "where": [*GEMEL, "where", *files, "0x10000800"],
        }
        if moved:
            works["compare moved"] = [*GEMEL, "compare", layout, images[0], images[2], *old, *moved]
        _believe(works)
        least = dict.fromkeys(works, float("inf"))
        for _ in range(max(5, given.rounds)):
            for name, words in works.items():
                least[name] = min(least[name], run(words, codes=(0, 1)).seconds)
    for name, seconds in least.items():
        print(f"{name:14} fastest {seconds * 1000:6.0f} ms")
    met = [verdict("where, of reading the symbols", least["where"] / least["read symbols"], WHERE)]
    for name in (name for name in works if name.startswith("compare")):
        met.append(verdict(f"{name}, of a check", least[name] / least["check"], COMPARE))
        met.append(verdict(f"{name}, in seconds", least[name], SECONDS))
    return 0 if all(met) else 1


def _believe(works: dict[str, list[str]]) -> None:
    compared = _printed(works["compare"])
    if "version: 1.4.1 -> 1.4.2" not in compared or "DIFFERENT" not in compared:
        raise SystemExit(f"compare did not see the version:\n{compared}")
    if "compare moved" in works and "only moved" not in _printed(works["compare moved"]):
        raise SystemExit("compare did not see that everything moved")
    if "section .text" not in _printed(works["where"]):
        raise SystemExit("where did not find the code")


def _printed(words: list[str]) -> str:
    return subprocess.run(words, env=environment(), capture_output=True, text=True, check=False).stdout


if __name__ == "__main__":
    sys.exit(main())
