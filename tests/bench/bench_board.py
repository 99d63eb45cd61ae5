"""Rehearsals compared with the board: both run the same images from process start to the last line.

Each program is C on both cores, built by the cross compiler. The rehearsal is the command, with both builds, in one
thread; the board is qemu-system-arm's two-core machine, which runs the cores at the same time in two threads.
``python tests/bench/bench_board.py`` with the project, ``gemel[rehearse]``, the cross compilers and the emulator
installed. Every figure is a ratio, or a time beside the board's, measured in one run; prints each target as met or
MISSED; exit code 1 if one is missed.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "support"), str(TESTS.parent / "imgtool_src")]

from kernel_products import BUILT, KERNEL
from measuring import GEMEL, KIB, MIB, environment, verdict
from rehearse.differential.board import EMULATOR
from rehearse.differential.building import Builder
from rehearse.differential.cases import TWO_CORES, Case, Source
from rehearse.differential.judge import LAYOUT, image_bytes, product_of

ROUNDS = 5
PER_ROUND = 13
"""Instructions of one turn of WORK's loop at -O1, callee included (counted in the listing of gcc 12.2.1)."""
WORK = """
static uint8_t bytes[256];
__attribute__((noinline)) static uint32_t mix(uint32_t sum, uint8_t *at)
{
    sum = (sum << 1 | sum >> 31) ^ *at;
    *at = (uint8_t)(sum >> 3);
    return sum;
}
void scenario(void)
{
    uint32_t sum = 1;

    for (uint32_t i = 0; i < TURNS; i++) {
        sum = mix(sum, &bytes[i & 255]);
    }
    show("sum", sum);
}
"""
POLL = """
void scenario(void)
{
    uint32_t ones = 0;

    REG(0xE000E014) = 0xFFFFFF;
    REG(0xE000E010) = 5;
    for (uint32_t i = 0; i < TURNS; i++) {
        ones += REG(POLLED) & 1;
    }
    say(ones ? "ones" : "zeros");
}
"""
PEAK = f"""import resource, subprocess, sys
done = subprocess.run(sys.argv[1:], capture_output=True)
print({KIB} * resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
sys.exit(done.returncode)
"""
"""Run by an interpreter that is small itself: a process counts as no smaller than the one that starts it."""
POLLED = {"a device register": 0x5020_3004, "the tick timer": 0xE000_E018}
PLAIN = "void scenario(void) {}\n"


class Product:
    """An image with its layout and builds in a folder, to be run by board and rehearsal."""

    def __init__(self, folder: Path, layout: str, elves: dict[str, bytes], image: bytes) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        files = [str(folder / "layout.toml"), str(folder / "image.bin")]
        builds = [f"{core}={folder / core}.elf" for core in ("station", "sampler")]
        self._command = [*GEMEL, "rehearse", *files, *builds]
        (folder / "layout.toml").write_text(layout, encoding="utf-8")
        (folder / "image.bin").write_bytes(image)
        for core, elf in elves.items():
            (folder / f"{core}.elf").write_bytes(elf)

    def rehearse(self) -> float:
        """Seconds of ``gemel rehearse`` with both builds, from process start to verdict."""
        began = time.perf_counter()
        self._run(self._command)
        return time.perf_counter() - began

    def peak(self) -> int:
        """The most memory that a process of ``gemel rehearse`` holds, the emulator's included, in bytes (Linux)."""
        return int(self._run([sys.executable, "-c", PEAK, *self._command]))

    @staticmethod
    def _run(command: list[str]) -> str:
        done = subprocess.run(command, env=environment(), capture_output=True, text=True, check=False)
        if done.returncode:
            raise SystemExit(f"the rehearsal fails:\n{done.stdout}{done.stderr}")
        return done.stdout

    def board(self) -> float:
        """Seconds of the board, from process start to the station's last line (which follows the sampler's)."""
        text = b""
        began = time.perf_counter()
        machine = subprocess.Popen(
            [
                *(EMULATOR, "-M", TWO_CORES.machine, "-display", "none"),
                *("-monitor", "none", "-serial", "stdio", "-serial", "null"),
                *("-device", f"loader,file={self.folder / 'image.bin'},addr=0x10000000"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        try:
            while machine.stdout is not None and b"station: done\n" not in text:
                more = machine.stdout.read1(4096)
                if not more:
                    raise SystemExit(f"the board ended after {text!r}")
                text += more
            return time.perf_counter() - began
        finally:
            machine.kill()
            machine.communicate()


def program(
    builder: Builder, folder: Path, name: str, station: str, sampler: str, turns: int, polled: int = 0
) -> Product:
    """The two programs as a product; the layout describes the device register that one of them polls."""
    sources = [Source(code, (f"TURNS={turns}", f"POLLED={polled}")) for code in (station, sampler)]
    case = Case(name, "bench", *sources)
    elves = builder.build(case)
    product = product_of(case, elves)
    layout = LAYOUT.read_text(encoding="utf-8").replace("20_000_000", "200_000_000")
    if polled:
        layout += "\n[[rehearsal.constant]]\nat = 0x5020_3004\nvalue = 0\n"
        layout = layout.replace('size = "8 KiB"', 'size = "16 KiB"')
    return Product(folder / name, layout, elves, image_bytes(product))


def kernel_pair(folder: Path) -> Product:
    """The preemptive kernel on both cores."""
    elves = {
        core: (BUILT / "mainline" / f"{core}-gcc-O2.elf").read_bytes() for core in ("station", "sampler")
    }
    from rehearsals import Case as Joined

    layout = (KERNEL / "mainline.toml").read_text(encoding="utf-8")
    return Product(folder / "kernel", layout, elves, image_bytes(Joined(layout, elves)))


def bare_interpreter() -> float:
    """Seconds of an interpreter that does nothing."""
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", "pass"], env=environment(), check=True)
    return time.perf_counter() - began


def measured(*what: Callable[[], float]) -> list[float]:
    """The median of each, one round after the other, after one round that does not count."""
    for each in what:
        each()
    rounds = [[each() for each in what] for _ in range(ROUNDS)]
    return [statistics.median(times) for times in zip(*rounds, strict=True)]


def main() -> int:
    """Measure, print, and say whether every target is met."""
    met = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        builder = Builder(folder)
        for count, target in ((10_000_000, 6), (100_000_000, 10)):
            work = program(builder, folder, f"work-{count}", WORK, WORK, count // 2 // PER_ROUND)
            ours, board = measured(work.rehearse, work.board)
            took = f"rehearsal {ours:.2f} s, board {board:.2f} s, peak memory {work.peak() / MIB:.0f} MiB"
            print(f"{count:,} instructions on two cores: {took}")
            met.append(verdict(f"rehearsal of {count:,} instructions, times the board", ours / board, target))
        pair = kernel_pair(folder)
        ours, board = measured(pair.rehearse, pair.board)
        print(f"kernel on both cores: rehearsal {ours:.2f} s, board {board:.2f} s, ratio {ours / board:.1f}")
        met.append(verdict("kernel on both cores from start to verdict", ours, 1.5, " s"))
        for what, polled in POLLED.items():
            few, many = (
                program(builder, folder, f"{polled:x}-{turns}", POLL, PLAIN, turns, polled)
                for turns in (100_000, 1_100_000)
            )
            low, high, board_low, board_high = measured(few.rehearse, many.rehearse, few.board, many.board)
            print(f"a poll of {what}: board {board_high - board_low:.3g} us")
            met.append(verdict(f"a poll of {what}", high - low, 1.5, " us"))
        small = program(builder, folder, "small", PLAIN, PLAIN, 0)
        ours, bare, board = measured(small.rehearse, bare_interpreter, small.board)
        print(f"start-up: rehearsal {ours:.3f} s, bare interpreter {bare:.3f} s, board {board:.3f} s")
        met.append(verdict("start-up, times a bare interpreter", ours / bare, 25))
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
