"""Speed of a rehearsal against a whole-board emulator: the same images on qemu-system-arm's two-core board.

Run it with the project, ``gemel[rehearse]``, the Arm assembler and qemu-system-arm installed:
``python tests/bench/bench_rehearse_board.py``.  Both times are from the start of a process to its verdict or
last character.  Prints each target as met or MISSED; exit code 1 if one is missed.
"""

from __future__ import annotations

import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "support"), str(TESTS.parent / "imgtool_src")]

from measuring import verdict
from rehearsals import gauge
from thumb import assembled

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import read_layout
from gemel.rehearsal.isolation import run_apart
from gemel.rehearsal.setup.planning import plan_of

FLASH, STACK = 0x1000_0000, 0x3800_8000
ROUNDS = 3
SPEAK = """
    ldr r0, =0x50200000
    movs r1, #1
    str r1, [r0, #8]
    movs r1, #'!'
    str r1, [r0]
    movs r1, #10
    str r1, [r0]
3:  b 3b
    .ltorg
"""
MIX = """
    ldr r6, =0x38000000
    ldr r7, ={rounds}
    movs r1, #0
1:  ldrb r2, [r6, r1]
    eors r3, r2
    lsrs r4, r3, #4
    adds r3, r4, r7
    bl 2f
    strb r3, [r6, r1]
    adds r1, #1
    uxtb r1, r1
    subs r7, #1
    bne 1b
    b 9f
2:  push {{r4, lr}}
    lsls r4, r3, #1
    eors r3, r4
    pop {{r4, pc}}
    .ltorg
9:
"""
"""A checksum-like loop of 14 instructions with calls, loads and stores."""

TICKS = "    ldr r0, =0xE000E010\n    ldr r1, =0xFFFFFF\n    str r1, [r0, #4]\n    movs r1, #5\n    str r1, [r0]\n"
POLL = "    ldr r6, ={at:#x}\n    ldr r7, ={rounds}\n1:  ldr r2, [r6]\n    subs r7, #1\n    bne 1b\n"
CASES = (
    ("10^7 instructions", MIX, 10**7 // 14, 6),
    ("10^8 instructions", MIX, 10**8 // 14, 10),
)
POLLS = 500_000


def image_of(program: str, folder: Path) -> SparseBytes:
    """The station alone: the program, then a character."""
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", STACK, FLASH + 0x401) + struct.pack("<I", FLASH + 0x401) * 138)
    image.write(FLASH + 0x400, assembled(program + SPEAK, folder))
    return image


def ours(image: SparseBytes) -> float:
    """Seconds of a rehearsal up to the character, best of some rounds, its process included."""
    goal = '\n[[rehearsal.goal]]\ncore = "station"\ntext = "!"\n'
    text = gauge("in-place", with_table=False).read.text
    text += f"\n[rehearsal]\nserial = [{{ at = 0x5020_0000 }}]\nbudget = 1_000_000_000\n{goal}"
    plan = plan_of(Inspection(read_layout(text.encode(), "bench.toml"), image), exact=False)
    best = 1e9
    for _ in range(ROUNDS):
        began = time.perf_counter()
        run = run_apart(plan)
        best = min(best, time.perf_counter() - began)
        if run.ended != "goals":
            raise SystemExit(f"the rehearsal ended with {run.ended}")
    return best


def board(image: SparseBytes, folder: Path) -> float:
    """Seconds of the board up to the character, best of some rounds."""
    flash = gauge("in-place").read.layout.memories["flash"]
    file = folder / "image.bin"
    file.write_bytes(image.read(flash.span, flash.erased_byte))
    command = [
        "qemu-system-arm",
        "-M",
        "mps2-an521",
        "-display",
        "none",
        "-serial",
        "stdio",
        "-monitor",
        "none",
    ]
    command += ["-device", f"loader,file={file},addr={FLASH:#x}"]
    best = 1e9
    for _ in range(ROUNDS):
        began = time.perf_counter()
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE)
        if process.stdout is None or process.stdout.read(1) != b"!":
            raise SystemExit("the board did not come to the end")
        best = min(best, time.perf_counter() - began)
        process.kill()
        process.communicate()
    return best


def interpreter() -> float:
    """Seconds of an interpreter that does nothing."""
    best = 1e9
    for _ in range(ROUNDS):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-I", "-c", ""], check=True)
        best = min(best, time.perf_counter() - began)
    return best


def main() -> int:
    """Print both times of each case and the targets."""
    met = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for label, program, rounds, limit in CASES:
            image = image_of(program.format(rounds=rounds), folder)
            theirs, mine = board(image, folder), ours(image)
            print(f"{label}: board {theirs:.2f} s, rehearsal {mine:.2f} s")
            met.append(verdict(f"{label}, times the board", mine / theirs, limit))
        empty = ours(image_of("", folder))
        for label, program in (
            ("a poll of a register", POLL.format(at=0x5020_0004, rounds=POLLS)),
            ("a poll of the tick timer", TICKS + POLL.format(at=0xE000_E018, rounds=POLLS)),
        ):
            polls = ours(image_of(program, folder))
            met.append(verdict(label, (polls - empty) / POLLS * 1e6, 1.5, " us"))
        bare = interpreter()
        print(f"start-up: interpreter {bare * 1e3:.0f} ms, rehearsal {empty * 1e3:.0f} ms")
        met.append(verdict("start-up, times an interpreter", empty / bare, 25))
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
