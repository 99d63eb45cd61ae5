"""Speed of a rehearsal: instructions a second, the price of each watch, the tide gauge from start to finding.

Run it with the project, ``gemel[rehearse]`` and the Arm assembler installed:
``python tests/bench/bench_rehearse.py``.  Prints each target as met or MISSED; exit code 1 if one is missed.
"""

from __future__ import annotations

import struct
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
from gemel.rehearsal.emulator.runner import run_plan
from gemel.rehearsal.setup.planning import plan_of

FLASH, STACK = 0x1000_0000, 0x3800_8000
LOCK = '[[rehearsal.mutex]]\nat = 0x5002_1200\nguards = "link"\n'
BUDGET = 20_000_000
ROUNDS = 5
PROGRAM = """
    ldr r0, =0x38000000
    ldr r7, =0x5555
outer:
    movs r1, #0
loop:
    ldrb r2, [r0, r1]
    eors r3, r2
    lsrs r4, r3, #4
    adds r3, r4, r7
    bl mix
    strb r3, [r0, r1]
    adds r1, #1
    cmp r1, r7
    blt loop
    b outer
mix:
    push {r4, lr}
    lsls r4, r3, #1
    eors r3, r4
    pop {r4, pc}
    .ltorg
"""
"""A checksum-like loop of 14 instructions with calls, loads and stores: what reset code does all day."""


def image_of(folder: Path) -> SparseBytes:
    """The station alone, with the loop as its program."""
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", STACK, FLASH + 0x401) + struct.pack("<I", FLASH + 0x401) * 138)
    image.write(FLASH + 0x400, assembled(PROGRAM, folder))
    return image


def speed(
    image: SparseBytes, watches: tuple[str, ...], exact: bool, budget: int = BUDGET, more: str = ""
) -> float:
    """Instructions a second, best of some rounds; the stack has a limit that is watched."""
    text = gauge("in-place").read.text + "\n[rehearsal.stack_size]\nstation = 2048\n" + more
    plan = plan_of(Inspection(read_layout(text.encode(), "bench.toml"), image), budget, watches, exact)
    best = 0.0
    for _ in range(ROUNDS):
        began = time.perf_counter()
        run = run_plan(plan)
        best = max(best, run.time / (time.perf_counter() - began))
    return best


def start_to_finding() -> float:
    """Seconds of a whole rehearsal in its own process that ends with a finding, best of some rounds."""
    case = gauge("in-place", sampler="sampler-misplaced")
    best = 9.0
    for _ in range(ROUNDS):
        began = time.perf_counter()
        rehearsal = case.rehearse(isolate=True)
        best = min(best, time.perf_counter() - began)
        if rehearsal.passes:
            raise SystemExit("the misplaced sampler was not found")
    return best


def bare(image: SparseBytes) -> float:
    """Instructions a second of the emulator alone: no watch, no slices, one mapping."""
    import unicorn
    from unicorn.arm_const import UC_ARM_REG_SP

    best = 0.0
    for _ in range(ROUNDS):
        emulator = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB, 11)
        emulator.mem_map(FLASH, 0x1000)
        emulator.mem_map(0x3800_0000, 0x20000)
        emulator.mem_write(
            FLASH + 0x400,
            image.read(gauge("in-place").read.layout.span_of("station-code"), 0xFF)[0x400:0x500],
        )
        emulator.reg_write(UC_ARM_REG_SP, STACK)
        began = time.perf_counter()
        emulator.emu_start(FLASH + 0x401, 0, count=BUDGET)
        best = max(best, BUDGET / (time.perf_counter() - began))
    return best


def main() -> int:
    """Print speeds as ratios to the default, then the targets."""
    with tempfile.TemporaryDirectory() as folder:
        image = image_of(Path(folder))
    default = speed(image, (), exact=False)
    rows = [
        ("emulator alone, no watch", bare(image)),
        ("default watches, one run", default),
        ("default watches, second run for exact times", speed(image, (), exact=True)),
        ("a lock that guards an area", speed(image, (), exact=False, more=LOCK)),
        ("watch reads", speed(image, ("reads",), False, BUDGET // 10)),
    ]
    print(f"{BUDGET:,} instructions of a checksum-like loop, best of {ROUNDS}")
    for label, found in rows:
        print(f"{label:46} {found / 1e6:7.1f} million/s, {default / found:6.2f} times the default's time")
    slowest = min(found for _, found in rows[1:3])
    met = [
        verdict("20 million over instructions a second, default watches", 20e6 / slowest, 1),
        verdict("tide gauge from start to finding", start_to_finding(), 1.0, " s"),
    ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
