"""Time an audit of images of 64 KiB, each with another counter: on one core, on two, and against ``gemel check``.

Run ``python tests/bench/bench_audit.py [--images 4000] [--rounds 3]``.  Exits 1 when a target is missed: 200 images a
second by the clock of an audit that may use one core of the machine; processor time an image no more than 1/20 of a
``gemel check`` without reading code; 1.8 times as fast on two cores (by the clock, on a machine with two free cores);
300 MiB for all processes together, and the same for four times as many images.
With ``--archive 100000`` that many images are audited once instead, with an index, in 7 GB of the temporary folder: it
ends with 1 when the processes take more than 300 MiB together, or an image does not pass.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import zlib
from pathlib import Path

from measuring import GEMEL, MIB, ROOT, environment, verdict

import gemel

LAYOUT = str(ROOT / "layouts/tide-gauge-in-place.toml")
BUILDS = tuple(
    f"{name}={ROOT}/testdata/tide-gauge/built/in-place/{name}.elf" for name in ("station", "sampler")
)
CHECKS = 10
ASKED = 200
"""Images of 64 KiB a second on one core."""
MARK, ROLLBACK, LEAST = b"GEMELREC", 0x14, 1000
"""How a record begins, where its rollback counter is (gemel explain record), and the first one of an archive."""


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--images", type=int, default=4000)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--archive", type=int, default=0, metavar="IMAGES")
    given = options.parse_args()
    if given.archive:
        return _archive(given.archive)
    with tempfile.TemporaryDirectory(prefix="gemel-bench-audit-") as name:
        folder = Path(name)
        many, few = folder / "many", folder / "few"
        _counters(many, given.images)
        _counters(few, given.images // 4)
        image = many / "000000.bin"
        rounds = [_round(image, many, given.images) for _ in range(given.rounds)]
        peaks = {
            name: _peaks("audit", LAYOUT, str(path), "--jobs", "2")
            for name, path in (("few", few), ("many", many))
        }
    cpu, wall, check, of_two = (statistics.median(each[part] for each in rounds) for part in range(4))
    print(f"a check: {check * 1000:.1f} ms of processor time, an image of an audit: {cpu * 1000:.2f} ms")
    print(f"by the clock, {1 / wall:,.0f} images/s on one core, {1 / wall / of_two:,.0f} on two")
    met = [
        verdict(f"one core, of {ASKED} images/s", wall * ASKED, 1),
        verdict("an image, of a gemel check", cpu / check, 1 / 20),
        verdict("time on two cores, of that on one (1/1.8)", of_two, 1 / 1.8),
        verdict("memory of all processes", sum(peaks["many"]) / MIB, 300, " MiB"),
        verdict("memory of four times as many images", sum(peaks["many"]) / sum(peaks["few"]), 1.05),
    ]
    return 0 if all(met) else 1


def _archive(count: int) -> int:
    """Audit ``count`` images in one folder once; print time and memory."""
    with tempfile.TemporaryDirectory(prefix="gemel-bench-audit-") as name:
        folder = Path(name)
        _counters(folder / "all", count)
        started, before = _children(), time.perf_counter()
        command = ("audit", LAYOUT, str(folder / "all"), "--jobs", "2", "--index", str(folder / "index"))
        peaks = _peaks(*command)
        wall, cpu = time.perf_counter() - before, _children() - started
        print(
            f"{count:,} images in {wall:,.0f} s, {cpu:,.0f} s of processor time: {cpu / count * 1000:.2f} ms an image"
        )
        print(
            f"the index has {(folder / 'index').stat().st_size / MIB:,.0f} MiB; most memory of each process:"
        )
        print(", ".join(f"{peak / MIB:,.0f} MiB" for peak in peaks))
        return 0 if verdict("memory of all processes", sum(peaks) / MIB, 300, " MiB") else 1


def _counters(folder: Path, count: int) -> None:
    """A folder of ``count`` images that are one joined image with another rollback counter each, and a sound record."""
    folder.mkdir()
    read = gemel.load_layout(LAYOUT)
    builds = gemel.load_builds(read, dict(each.split("=", 1) for each in BUILDS))
    gemel.write_images(gemel.join(read, builds).image, folder / "000000.bin", layout=read)
    image = (folder / "000000.bin").read_bytes()
    start = image.index(MARK)
    size = int.from_bytes(image[start + 12 : start + 16], "little") - 4
    for number in range(count):
        record = bytearray(image[start : start + size])
        record[ROLLBACK : ROLLBACK + 4] = (LEAST + number).to_bytes(4, "little")
        record += zlib.crc32(record).to_bytes(4, "little")
        (folder / f"{number:06}.bin").write_bytes(image[:start] + record + image[start + len(record) :])


def _round(image: Path, many: Path, count: int) -> tuple[float, float, float, float]:
    """Processor and wall seconds an image on one core, processor seconds a check, and the time on two cores of that."""
    started = _children()
    for _ in range(CHECKS):
        _run("check", LAYOUT, str(image), "--no-disassemble")
    check = (_children() - started) / CHECKS
    cores = sorted(os.sched_getaffinity(0))
    started = _children()
    one = _audit_on(cores[:1], many)
    cpu = _children() - started
    two = _audit_on(cores[:2], many)
    return cpu / count, one / count, check, two / one


def _audit_on(cores: list[int], images: Path) -> float:
    """Seconds by the clock of an audit whose processes may use these cores (Linux); one process a core judges."""
    all_cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, cores)
    try:
        before = time.perf_counter()
        _run("audit", LAYOUT, str(images))
        return time.perf_counter() - before
    finally:
        os.sched_setaffinity(0, all_cores)


def _peaks(*words: str) -> list[int]:
    """The most memory of an audit's process and of each that judges, in bytes, as they are before they end."""
    child = subprocess.Popen([*GEMEL, *words], env=environment(), stdout=subprocess.PIPE)
    peaks: dict[int, int] = {}
    for number, _ in enumerate(child.stdout or ()):
        if number % 4 == 0:
            peaks |= {pid: peak for pid in _family(child.pid) if (peak := _peak(pid))}
    if child.wait():
        raise SystemExit(f"an audit ended with {child.returncode}")
    return list(peaks.values())


def _family(pid: int) -> list[int]:
    """A process and those that it started (Linux)."""
    found = [pid]
    for task in Path(f"/proc/{pid}/task").iterdir():
        found += map(int, (task / "children").read_text().split())
    return found


def _peak(pid: int) -> int:
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0
    line = next((line for line in text.splitlines() if line.startswith("VmHWM:")), "VmHWM: 0")
    return int(line.split()[1]) * 1024


def _children() -> float:
    """Processor seconds of all processes that ended."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def _run(*words: str) -> None:
    subprocess.run([*GEMEL, *words], env=environment(), stdout=subprocess.DEVNULL, check=True, cwd=os.sep)


if __name__ == "__main__":
    sys.exit(main())
