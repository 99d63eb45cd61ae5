"""Small programs of the two cores with a table of the layout, rehearsed: for tests of what a device does."""

from __future__ import annotations

import re
import struct
import tempfile
from functools import cache
from pathlib import Path

from rehearsals import gauge
from thumb import assembled

from gemel.image.sparse import SparseBytes
from gemel.layout.reader import read_layout
from gemel.layout.reference import device_examples
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.session import RehearsalOptions, rehearse

FLASH, STACK, SAMPLER = 0x1000_0000, 0x3800_8000, 0x1000_8000
BLOCK = 0x1000_6000
"""A block of flash that the tests program."""

DEVICE = 0x5020_0000
SLEEP = "9: wfi\n b 9b\n .ltorg\n"
ZEROS = "movs r4, #0\n movs r5, #0\n movs r6, #0\n movs r7, #0\n"
BACK = "bx lr\n .ltorg\n"


def store(address: int, value: str) -> str:
    """Code that stores a value or a register."""
    load = f"ldr r1, ={value}\n" if not value.startswith("r") else f"mov r1, {value}\n"
    return f"ldr r0, ={address:#x}\n {load} str r1, [r0]\n"


def load(register: str, address: int) -> str:
    """Code that loads a register of the device."""
    return f"ldr r0, ={address:#x}\n ldr {register}, [r0]\n"


def result(register: str) -> str:
    """Code that puts a register into the first word of the shared area."""
    return f"ldr r0, =0x38010000\n str {register}, [r0]\n"


def enabled(number: int) -> str:
    """Code that enables an interrupt."""
    return store(0xE000_E100, hex(1 << number))


UNLOCK = store(DEVICE + 0x1C, "0x45670123") + store(DEVICE + 0x1C, "0xCDEF89AB")
WAIT = f"ldr r0, ={DEVICE + 0x18:#x}\n1: adds r5, #1\n ldr r1, [r0]\n lsls r1, #31\n bne 1b\n"
ERASE = store(DEVICE + 0x14, f"{BLOCK + 0x123:#x}") + store(DEVICE + 0x10, "2") + WAIT


@cache
def code_of(source: str) -> bytes:
    """Its machine code."""
    with tempfile.TemporaryDirectory() as folder:
        return assembled(source, Path(folder))


def run(
    program: str,
    table: str,
    handler: str = "",
    sampler: str = SLEEP,
    budget: int = 60_000,
    without_release: bool = False,
    write_unit: int = 16,
    exact: bool = False,
    reset: int = FLASH + 0x401,
    watches: tuple[str, ...] = (),
    interleavings: int = 0,
    architecture: str = "",
) -> Rehearsal:
    """The station with this program (R4 to R7 are zero) and handler of every exception; the sampler if released."""
    image = SparseBytes()
    for start, stack, code in ((FLASH, STACK, program), (SAMPLER, STACK + 0x8000, sampler)):
        image.write(start, struct.pack("<II", stack, start + 0x401) + struct.pack("<I", start + 0x801) * 100)
        image.write(start + 0x400, code_of(ZEROS + code))
        image.write(start + 0x800, code_of(handler + BACK))
    image.write(FLASH + 4, struct.pack("<I", reset))
    image.write(BLOCK, bytes(64))
    text = gauge("in-place", with_table=False).read.text.replace(
        "write_unit = 16", f"write_unit = {write_unit}"
    )
    if without_release:
        text = re.sub(r"\[core\.sampler\.release\]\n(.+\n)+", "", text)
    if architecture:
        text = re.sub(r'architecture = ".+"\nextensions = .+', f'architecture = "{architecture}"', text)
    options = RehearsalOptions(budget, watches, isolate=False, exact=exact, interleavings=interleavings)
    return rehearse(read_layout(f"{text}\n{table}\n".encode(), "x.toml"), image, {}, options)


def word(rehearsal: Rehearsal) -> int:
    """The first word of the shared area."""
    return int(struct.unpack("<I", rehearsal.shared_memory["link"][:4])[0])


def example(beginning: str) -> str:
    """The lines of the example whose title begins so."""
    (found,) = [each.text for each in device_examples() if each.title.startswith(beginning)]
    return found


RELEASE = store(0x5002_1114, hex(SAMPLER)) + store(0x5002_1118, "0")
IDLE = enabled(9) + SLEEP
"""What the sampler does: it sleeps until something from outside comes."""

COUNTER = 0x3800_0100

TICKS = store(0xE000_E014, "999") + store(0xE000_E018, "0") + store(0xE000_E010, "7")
TIMER = f"""[[rehearsal.event]]
core = "station"
every = 1000
interrupt = 5
enabled_at = {DEVICE:#x}
status_at = {DEVICE + 4:#x}
clear_at = {DEVICE + 4:#x}
"""
GOAL = '\n[[rehearsal.goal]]\ncore = "station"\nword = { at = 0x3801_0000, value = 77 }\n'
REACHED = "movs r3, #77\n" + result("r3") + SLEEP


def polls(offset: int, until: str) -> str:
    """Code that reads a register of the device until a condition holds."""
    return (
        f"ldr r0, ={DEVICE + offset:#x}\n1: ldr r1, [r0]\n {until}\n b{'eq' if 'tst' in until else 'ne'} 1b\n"
    )
