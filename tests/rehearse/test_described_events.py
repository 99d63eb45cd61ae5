"""What the layout says that devices do by themselves, run by small programs: level, edge, ready bits, restart."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from rehearsals import gauge
from thumb import assembled

from gemel.image.sparse import SparseBytes
from gemel.layout.reader import read_layout
from gemel.rehearsal.emulator.core import exceptions
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.session import RehearsalOptions, rehearse

FLASH, STACK = 0x1000_0000, 0x3800_8000
TIMER = 0x5020_0000
"""Where the tests' device registers are, in the tide gauge's device memory."""

ENABLE = "ldr r0, =0xE000E100\n movs r1, #0x20\n str r1, [r0]\n"
COUNTS = "ldr r0, =0x38010000\n ldr r1, [r0]\n adds r1, #1\n str r1, [r0]\n"
CLEARS = f"ldr r0, ={TIMER + 8:#x}\n movs r1, #1\n str r1, [r0]\n"
STARTS = f"ldr r0, ={TIMER:#x}\n movs r1, #1\n str r1, [r0]\n"
ZERO = "ldr r0, =0x38010000\n movs r1, #0\n str r1, [r0]\n"
SLEEP = "1: wfi\n b 1b\n .ltorg\n"
PERIODIC = f"""
[[rehearsal.event]]
core = "station"
every = 1000
interrupt = 5
enabled_at = {TIMER:#x}
status_at = {TIMER + 4:#x}
clear_at = {TIMER + 8:#x}
"""


def run(program: str, handler: str, table: str, folder: Path, budget: int = 50_000) -> Rehearsal:
    """The station alone with this program and handler of every exception."""
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", STACK, FLASH + 0x401) + struct.pack("<I", FLASH + 0x801) * 100)
    image.write(FLASH + 0x400, assembled(program, folder))
    image.write(FLASH + 0x800, assembled(handler + "bx lr\n .ltorg\n", folder))
    text = gauge("in-place", with_table=False).read.text + "\n[rehearsal]\n" + table
    options = RehearsalOptions(budget=budget, isolate=False, exact=False)
    return rehearse(read_layout(text.encode(), "x.toml"), image, {}, options)


def count(rehearsal: Rehearsal) -> int:
    """The first word of the shared area."""
    return int(struct.unpack("<I", rehearsal.shared_memory["link"][:4])[0])


def test_period_that_is_cleared_comes_once_a_period(tmp_path: Path) -> None:
    """A handler that clears the source runs once in 1,000 instructions, from the enabling write on."""
    rehearsal = run(ZERO + ENABLE + STARTS + SLEEP, COUNTS + CLEARS, PERIODIC, tmp_path)
    assert count(rehearsal) == 49
    assert rehearsal.finding("interrupt-livelock") is None


def test_level_that_is_not_cleared_comes_again_at_once(tmp_path: Path) -> None:
    """A handler that does not clear the source starves the thread, and that is named."""
    rehearsal = run(ZERO + ENABLE + STARTS + SLEEP, COUNTS, PERIODIC, tmp_path, budget=2_000_000)
    finding = rehearsal.finding("interrupt-livelock")
    assert finding is not None
    assert "interrupt 5" in finding.what


@pytest.mark.parametrize(("clears_at", "found"), [(1, False), (40, False), (41, True)])
def test_level_that_is_not_cleared_while_thread_code_gets_on(
    clears_at: int, found: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A handler that returns to masked thread code comes again where that is done, as in some kernels."""
    monkeypatch.setattr(exceptions, "LIVELOCK", 40)
    thread = "1: adds r4, #1\n nop\n nop\n cpsie i\n isb\n b 1b\n .ltorg\n"
    handler = COUNTS + f"cmp r1, #{clears_at}\n blo 2f\n" + CLEARS + "2: cpsid i\n"
    rehearsal = run(ZERO + ENABLE + STARTS + thread, handler, PERIODIC, tmp_path, budget=4_000)
    finding = rehearsal.finding("interrupt-livelock")
    assert (finding is not None) is found, rehearsal.findings


def test_edge_comes_once(tmp_path: Path) -> None:
    """Without a register that clears it, each event interrupts once."""
    table = PERIODIC.replace(f"clear_at = {TIMER + 8:#x}\n", "")
    assert count(run(ZERO + ENABLE + STARTS + SLEEP, COUNTS, table, tmp_path)) == 49


def test_nothing_comes_before_it_is_enabled(tmp_path: Path) -> None:
    """A timer that is not started never interrupts: the core sleeps with nothing to wake it but that."""
    assert count(run(ZERO + ENABLE + SLEEP, COUNTS + CLEARS, PERIODIC, tmp_path)) == 0


def test_event_after_a_write(tmp_path: Path) -> None:
    """A conversion: started by a write, ended 100 instructions later, seen in the status register."""
    table = (
        f'[[rehearsal.event]]\ncore = "station"\nafter_write = {TIMER:#x}\nstatus_at = {TIMER + 4:#x}\n'
        f"status_bits = 0x80\n"
    )
    wait = f"ldr r0, ={TIMER + 4:#x}\n movs r2, #0\n2: adds r2, #1\n ldr r1, [r0]\n cmp r1, #0x80\n bne 2b\n"
    done = "ldr r0, =0x38010000\n str r2, [r0]\n"
    assert 15 < count(run(ZERO + STARTS + wait + done + SLEEP, "", table, tmp_path)) < 35


def test_ready_bit_follows_its_enable_bit(tmp_path: Path) -> None:
    """A clock's ready bit in the register that enables it; the bits that code wrote stay."""
    table = f"[[rehearsal.ready]]\nat = {TIMER:#x}\nbits = 0x200\nfollow_at = {TIMER:#x}\nfollow_bits = 0x1\n"
    program = f"ldr r0, ={TIMER:#x}\n ldr r2, [r0]\n movs r1, #5\n str r1, [r0]\n ldr r3, [r0]\n"
    done = "orrs r3, r2\n ldr r0, =0x38010000\n str r3, [r0]\n"
    assert count(run(program + done + SLEEP, "", table, tmp_path)) == 0x205


def test_register_that_differs_by_core_and_bits_that_the_device_keeps(tmp_path: Path) -> None:
    """A core's number reads its own value; a held register takes only its writable bits."""
    table = (
        f"[[rehearsal.by_core]]\nat = {TIMER:#x}\nvalues = {{ station = 0x30, sampler = 1 }}\n"
        f"[[rehearsal.held]]\nat = {TIMER + 4:#x}\nreset = 0x100\nwritable = 0xF\n"
    )
    program = f"ldr r0, ={TIMER:#x}\n ldr r2, [r0]\n movs r1, #0xFF\n str r1, [r0, #4]\n ldr r3, [r0, #4]\n"
    done = "orrs r3, r2\n ldr r0, =0x38010000\n str r3, [r0]\n"
    assert count(run(program + done + SLEEP, "", table, tmp_path)) == 0x13F


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ('[[rehearsal.event]]\ncore = "station"\n', "an event comes in one way"),
        ('[[rehearsal.event]]\ncore = "nobody"\nevery = 5\n', "unknown core"),
        (
            '[[rehearsal.event]]\ncore = "station"\nevery = 5\ninterrupt = 400\n',
            "an interrupt that the core does not have",
        ),
    ],
)
def test_faults_of_the_layout(table: str, what: str) -> None:
    """Events that cannot be are errors of the layout."""
    from gemel.errors import GemelError

    text = gauge("in-place", with_table=False).read.text + "\n[rehearsal]\n" + table
    with pytest.raises(GemelError) as caught:
        read_layout(text.encode(), "x.toml")
    assert what in str(caught.value)
