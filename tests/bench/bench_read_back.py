"""What the second pair of eyes costs: a join of the tide gauge with --read-back against one without.

Target: at most 4 times the processor time of the plain join (other libraries read byte by byte).
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GEMEL = (sys.executable, "-m", "gemel")
ROUNDS = 5
TARGET = 4.0


def processor_seconds(*words: str) -> float:
    """User and system time of one run."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([*GEMEL, *words], check=True, capture_output=True, cwd=ROOT)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    """Print the ratio; 1 where it is over the target."""
    built = ROOT / "testdata" / "tide-gauge" / "built" / "in-place"
    builds = [f"{name}={built / name}.elf" for name in ("station", "sampler")]
    with tempfile.TemporaryDirectory() as folder:
        outputs = [word for suffix in ("hex", "srec") for word in ("-o", f"{folder}/tide.{suffix}")]
        join = ["join", str(ROOT / "layouts" / "tide-gauge-in-place.toml"), *builds, *outputs]
        plain = min(processor_seconds(*join) for _ in range(ROUNDS))
        read = min(processor_seconds(*join, "--read-back") for _ in range(ROUNDS))
    ratio = read / plain
    print(
        f"join with --read-back: {ratio:.2f} times a join without ({read:.3f} s, {plain:.3f} s); at most {TARGET}"
    )
    return 0 if ratio <= TARGET else 1


if __name__ == "__main__":
    sys.exit(main())
