"""Times of the checksum engine, in one run, against what a script without compiled code does.

Baseline: the package crccheck, a general CRC in Python, over 64 KiB and taken up to the same size.
Run it with the project installed: ``python tests/bench/bench_crc.py``.
"""

from __future__ import annotations

import random
import subprocess
import sys
import time
import zlib
from collections.abc import Callable

from crccheck.crc import Crc32, Crc32Iscsi, Crc32Mpeg2

from gemel.checksums.algorithms import algorithm_from, compute
from gemel.checksums.crc_engine import table_crc
from gemel.checksums.diagnosis import Coverage, diagnose

SIZE = 2 << 20
SMALL = 1 << 16


def best_of(work: Callable[[], object], times: int = 7) -> float:
    """Shortest time in milliseconds."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best * 1000


def import_time(module: str, after: str = "dataclasses") -> float:
    """Milliseconds that importing ``module`` adds to a program that has imported ``after``."""
    code = f"import time, {after}; s = time.perf_counter(); import {module}; print(time.perf_counter() - s)"
    runs = [subprocess.run([sys.executable, "-c", code], capture_output=True, check=True) for _ in range(5)]
    return min(float(run.stdout) for run in runs) * 1000


def line(label: str, name: str, feed: str, baseline: type, message: bytes) -> str:
    """One algorithm beside the baseline, with the ratio of the two."""
    algorithm = algorithm_from(name)
    ours = best_of(lambda: compute(algorithm, [message], feed))
    theirs = best_of(lambda: baseline.calc(message[:SMALL]), 2) * SIZE / SMALL
    return f"{label:28} {ours:7.2f} ms {theirs:9.0f} ms {ours / theirs:10.6f}"


def sum_line(name: str, message: bytes) -> str:
    """One sum, without a baseline."""
    algorithm = algorithm_from(name)
    return f"{name:28} {best_of(lambda: compute(algorithm, [message])):7.2f} ms"


def main() -> None:
    """Print one line for each engine and algorithm."""
    message = random.Random(1).randbytes(SIZE)
    print(f"{SIZE >> 20} MiB, best of 7; baseline: crccheck")
    print(f"{'':28} {'gemel':>10} {'crccheck':>12} {'ratio':>10}")
    print(line("CRC-32 (zlib)", "CRC-32", "byte", Crc32, message))
    print(line("CRC-32C", "CRC-32C", "byte", Crc32Iscsi, message))
    print(line("CRC-32/MPEG-2", "CRC-32/MPEG-2", "byte", Crc32Mpeg2, message))
    print(line("CRC-32/MPEG-2 by word", "CRC-32/MPEG-2", "word", Crc32Mpeg2, message))
    plain = algorithm_from("CRC-32C").parameters
    table = best_of(lambda: table_crc(plain, [message]), 2)
    direct = best_of(lambda: zlib.crc32(message))
    print(f"{'table in Python':28} {table:7.1f} ms")
    print(f"{'zlib.crc32 itself':28} {direct:7.2f} ms")
    for name in ("sum-8", "sum-32", "xor-32"):
        print(sum_line(name, message))
    one = message[: 1 << 20]
    crc32 = algorithm_from("CRC-32")
    searched = best_of(
        lambda: diagnose(crc32, "byte", "little", b"\x01\x02\x03\x04", Coverage("", len(one), lambda: [one])),
        3,
    )
    print(f"{'diagnosis of 1 MiB, in vain':28} {searched:7.0f} ms")
    for module in ("zlib", "anycrc", "gemel.checksums.algorithms"):
        print(f"{'import ' + module:28} {import_time(module):7.2f} ms")


if __name__ == "__main__":
    main()
