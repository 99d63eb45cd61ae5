"""Rights by the registers of a memory protection unit: PMSAv7 and PMSAv8 as machines of qemu-system-arm hold them."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest
from core_plans import core_plan
from device_programs import FLASH, SLEEP, result, run, store, word
from rehearse.test_endings import region
from tools import required_tool

from gemel.rehearsal.emulator.system_space.memory_protection import MemoryProtection

MACHINES = {"armv7e-m": ("mps2-an386", "cortex-m4"), "armv8-m.main": ("mps2-an505", "cortex-m33")}
RAM = {"armv7e-m": 0x2000_0000, "armv8-m.main": 0x3800_0000}
CODE = {"armv7e-m": 0x0, "armv8-m.main": 0x1000_0000}
SERIAL = {"armv7e-m": 0x4000_4000, "armv8-m.main": 0x5020_0000}
NUMBER, BASE, OTHER = 0xE000_ED98, 0xE000_ED9C, 0xE000_EDA0

SOURCE = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
static volatile uint32_t faulted;
void reset(void);
__attribute__((naked)) void fault(void)
{
    __asm volatile("ldr r0, =faulted\\n movs r1, #1\\n str r1, [r0]\\n"
        "tst lr, #4\\n ite eq\\n mrseq r2, msp\\n mrsne r2, psp\\n"
        "ldr r3, [r2, #24]\\n adds r3, #2\\n str r3, [r2, #24]\\n bx lr\\n");
}
__attribute__((naked)) void call(void) { __asm volatile("movs r0, #0\\n msr control, r0\\n isb\\n bx lr\\n"); }
__attribute__((section(".vectors"), used)) const void *const vectors[16] = {
    (void *)(RAM + 0x3F00), reset, fault, fault, fault, fault, fault, fault, 0, 0, 0, call, fault, 0, fault, fault,
};
static void put(char c) { while (REG(SERIAL + 4) & 1) { } REG(SERIAL) = (uint8_t)c; }
static char try_at(uint32_t address, int write, int user)
{
    register uint32_t at __asm("r1") = address;
    faulted = 0;
    if (user) __asm volatile("movs r0, #1\\n msr control, r0\\n isb" ::: "r0", "memory");
    if (write) __asm volatile(".short 0x600a" :: "r"(at) : "memory"); /* str r2, [r1] */
    else __asm volatile(".short 0x680a" :: "r"(at) : "r2", "memory"); /* ldr r2, [r1] */
    if (user) __asm volatile("svc 0" ::: "r0", "memory");
    return faulted ? '-' : "rw"[write];
}
void reset(void)
{
    static const uint32_t writes[][2] = { WRITES };
    REG(SERIAL + 16) = 16;
    REG(SERIAL + 8) = 1;
    for (unsigned i = 0; i < sizeof writes / sizeof writes[0]; i++) REG(writes[i][0]) = writes[i][1];
    __asm volatile("dsb\\n isb");
    for (uint32_t at = RAM + 0x4000; at < RAM + 0x5000; at += 32)
        for (int kind = 0; kind < 4; kind++) put(try_at(at, kind & 1, kind >> 1));
    put('\\n');
    for (;;) { }
}
"""
SCRIPT = """
SECTIONS {{
  . = {code:#x};
  .text : {{ *(.vectors) *(.text*) *(.rodata*) }}
  . = {ram:#x};
  .bss (NOLOAD) : {{ *(.bss*) *(.data*) }}
}}
"""


def settings(architecture: str, seed: int) -> list[tuple[int, int]]:
    """Writes that set up code, stack and serial port, and some random regions over 4 KiB of RAM."""
    chosen = random.Random(seed)
    ram = RAM[architecture]
    writes = []
    if architecture == "armv7e-m":
        fixed = [
            (0x0, 0x0600_0025 | 3 << 24),
            (ram, 3 << 24 | 13 << 1 | 1),
            (0x4000_0000, 3 << 24 | 1 << 28 | 28 << 1 | 1),
        ]
        for number, (base, size) in enumerate(fixed):
            writes += [(NUMBER, number), (BASE, base), (OTHER, size)]
        for number in range(3, 8):
            off = chosen.choice([0, 0, chosen.randrange(256)])
            # The board keeps permissions by pages of 1 KiB around a subregion that is switched off, the core does not.
            bits = chosen.choice([12, 13]) if off else chosen.choice([4, 5, 6, 7, 8, 9, 10])
            base = (ram + 0x4000 + chosen.randrange(0, 0x1000, 32)) & ~((2 << bits) - 1)
            access = chosen.choice([0, 1, 2, 3, 5, 6, 7])
            enabled = chosen.random() < 0.85
            writes += [(NUMBER, number), (BASE, base)]
            writes += [(OTHER, access << 24 | off << 8 | bits << 1 | enabled)]
        # One more by the number that the base address register itself gives.
        writes += [(BASE, ram + 0x4000 | 1 << 4 | 7)]
        return [*writes, (0xE000_ED94, 1 | chosen.choice([0, 4]))]
    edges = sorted(chosen.sample(range(0, 0x1000, 32), 12))
    fixed = [
        (CODE[architecture] | 3 << 1, 0x1000_FFE0),
        (ram | 1 << 1, ram + 0x3FE0),
        (0x5020_0001 | 2, 0x5020_0FE0),
    ]
    for number, (base, limit) in enumerate(fixed):
        writes += [(NUMBER, number), (BASE, base), (OTHER, limit | 1)]
    for number in range(3, 8):
        start, end = edges[2 * (number - 3)], edges[2 * (number - 3) + 1]
        if chosen.random() < 0.3:
            end = min(0xFE0, end + 64)  # may reach into the next region
        access = chosen.randrange(4)
        writes += [(NUMBER, number), (BASE, ram + 0x4000 + start | access << 1 | chosen.randrange(2))]
        writes += [(OTHER, ram + 0x4000 + end | (chosen.random() < 0.85))]
    return [*writes, (0xE000_ED94, 1 | chosen.choice([0, 4]))]


def board_says(architecture: str, writes: list[tuple[int, int]], folder: Path) -> str:
    """Four letters for each 32 bytes: privileged read and write, unprivileged read and write; ``-`` for a fault."""
    machine, cpu = MACHINES[architecture]
    script, source, elf = folder / "program.ld", folder / "program.c", folder / "program.elf"
    script.write_text(SCRIPT.format(code=CODE[architecture], ram=RAM[architecture]), encoding="ascii")
    source.write_text(SOURCE, encoding="ascii")
    pairs = ", ".join(f"{{ {address:#x}, {value:#x} }}" for address, value in writes)
    defines = [f"-DRAM={RAM[architecture]:#x}", f"-DSERIAL={SERIAL[architecture]:#x}", f"-DWRITES={pairs}"]
    options = [f"-mcpu={cpu}", "-mthumb", "-mfloat-abi=soft", "-O1", "-ffreestanding", "-nostdlib", "-Wl,-n"]
    command = [
        required_tool("arm-none-eabi-gcc"),
        *options,
        *defines,
        "-T",
        str(script),
        str(source),
        "-o",
        str(elf),
    ]
    subprocess.run(command, check=True, capture_output=True)
    board = subprocess.Popen(
        [
            required_tool("qemu-system-arm"),
            "-M",
            machine,
            "-display",
            "none",
            "-serial",
            "stdio",
            "-kernel",
            str(elf),
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        return board.stdout.readline().strip() if board.stdout else ""
    finally:
        board.kill()
        board.communicate()


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("architecture", MACHINES)
def test_rights_are_the_boards(architecture: str, seed: int, tmp_path: Path) -> None:
    """Regions of any size, with subregions, one over another or switched off: every 32 bytes as on the board."""
    writes = settings(architecture, seed)
    unit = MemoryProtection(core_plan(architecture=architecture, extensions=("mpu",)))
    for address, value in writes:
        unit.write(address, value)
    said = ""
    for address in range(RAM[architecture] + 0x4000, RAM[architecture] + 0x5000, 32):
        permissions = unit.at(address)
        said += "r" if permissions.read else "-"
        said += "w" if permissions.write else "-"
        said += "r" if permissions.user_read else "-"
        said += "w" if permissions.user_write else "-"
    assert said == board_says(architecture, writes, tmp_path)


def test_a_core_without_the_unit_has_no_regions() -> None:
    """TYPE reads zero and what is written is lost."""
    unit = MemoryProtection(core_plan(architecture="armv7-m", extensions=()))
    unit.write(0xE000_ED94, 5)
    assert (unit.read(0xE000_ED90), unit.read(0xE000_ED94), unit.on) == (0, 0, False)


def test_what_registers_of_armv7_keep() -> None:
    """Reserved bits of the size register, and a base for a region that the unit does not have (DDI 0403, PMSAv7)."""
    unit = MemoryProtection(core_plan(architecture="armv7-m", extensions=("mpu",)))
    unit.write(0xE000_ED9C, 0x2000_0013)
    unit.write(0xE000_EDA0, 0xFFFF_FFFE)
    unit.write(0xE000_ED9C, 0x3000_001F)
    assert (unit.read(0xE000_ED98), unit.read(0xE000_ED9C)) == (3, 0x2000_0003)
    assert unit.read(0xE000_EDA0) == 0x173F_FF3E


def test_private_space_and_devices_are_never_executed() -> None:
    """The private space passes whatever the regions say; device and system addresses are never executed."""
    unit = MemoryProtection(core_plan(architecture="armv8-m.main", extensions=("mpu",)))
    unit.write(0xE000_ED94, 1)
    assert unit.at(0xE000_ED94).write
    assert not unit.at(0x2000_0000).read
    unit.write(0xE000_ED94, 5)
    executes = {at: unit.at(at).execute for at in (0x0, 0x2000_0000, 0x4000_0000, 0x6000_0000, 0xA000_0000)}
    assert executes == {
        0x0: True,
        0x2000_0000: True,
        0x4000_0000: False,
        0x6000_0000: True,
        0xA000_0000: False,
    }
    assert not unit.at(0x2000_0000).user_read


REGISTER, ELSEWHERE = 0x5020_0000, 0x5020_0100
TABLE = """
[rehearsal]
held = [{ at = 0x5020_0000, reset = 0x5 }, { at = 0x5020_0100, reset = 0x5 }]
sequence = [{ at = 0x5020_0004, values = [1, 2, 3] }]

[[rehearsal.serial]]
at = 0x5020_0008
name = "line"
"""
SKIPS = "ldr r0, [sp, #24]\n adds r0, #2\n str r0, [sp, #24]\n bx lr\n .ltorg\n"
"""A handler that goes on after the access, which is a narrow instruction."""


def around(access: str, permissions: int, user: bool = False) -> str:
    """Code that does an access to a register in a region of these permissions, and takes the region away."""
    as_user = "movs r1, #1\n msr control, r1\n isb\n" if user else ""
    regions = region(0, FLASH, FLASH + 0x3FFFF, 3, 0) + region(1, 0x3800_0000, 0x3801_FFFF, 1, 1)
    regions += region(2, REGISTER, REGISTER + 0x1F, permissions, 1) + store(0xE000_ED94, "5") + "dsb\n isb\n"
    return f"{regions} ldr r2, ={REGISTER:#x}\n movs r3, #65\n{as_user}{access}\n"


OFF = store(0xE000_ED94, "0") + "dsb\n isb\n"


@pytest.mark.parametrize(
    ("access", "permissions", "at", "holds"),
    [
        ("str r3, [r2]", 2, 0, 5),
        ("strb r3, [r2]", 2, 0, 5),
        ("str r3, [r2]", 0, 0, 65),
        ("ldr r1, [r2, #4]", 2, 4, 2),
        ("ldr r1, [r2]", 2, 0, 5),
    ],
)
def test_a_write_that_is_refused_reaches_no_register(
    access: str, permissions: int, at: int, holds: int
) -> None:
    """The register stays as it is; one that may be written or read is (DDI 0553, "MemManage fault", from memory)."""
    reads = f"ldr r2, ={REGISTER + at:#x}\n ldr r3, [r2]\n"
    rehearsal = run(around(access, permissions) + OFF + reads + result("r3") + SLEEP, TABLE, handler=SKIPS)
    assert word(rehearsal) == holds


@pytest.mark.parametrize(("permissions", "sent"), [(0, ""), (1, "A")])
def test_what_is_refused_is_not_sent(permissions: int, sent: str) -> None:
    """Unprivileged code sends by a serial port that it may use, and nothing by another, as on the board."""
    rehearsal = run(around("strb r3, [r2, #8]", permissions, user=True) + SLEEP, TABLE, handler=SKIPS)
    assert rehearsal.texts["line"] == sent


def test_a_read_that_is_refused_takes_nothing() -> None:
    """Unprivileged code that may not read a register that goes on at each read leaves it as it is."""
    handler = "movs r0, #0\n msr control, r0\n" + SKIPS
    reads = f"ldr r2, ={REGISTER + 4:#x}\n ldr r3, [r2]\n"
    access = "ldr r1, [r2, #4]"
    rehearsal = run(around(access, 0, user=True) + reads + result("r3") + SLEEP, TABLE, handler=handler)
    assert word(rehearsal) == 1


@pytest.mark.parametrize(
    ("access", "trap", "kind"),
    [
        ("str r3, [r2, #2]", "8", "alignment-fault"),
        ("ldr r3, [r2, #2]", "8", "alignment-fault"),
        ("str r3, [r2]", "8", "protected-write"),
        ("ldr r3, [r2]", "0", "protected-read"),
    ],
)
def test_alignment_is_looked_at_before_the_protection(access: str, trap: str, kind: str) -> None:
    """Where the trap and a region refuse an access, it is a UsageFault (DDI 0553, from memory), as on the board."""
    program = around("msr control, r1\n isb\n " + access, 0).replace("movs r3, #65", "movs r1, #1")
    rehearsal = run(store(0xE000_ED14, trap) + program + SLEEP, TABLE, handler="b .\n")
    kinds = ("alignment-fault", "protected-write", "protected-read")
    assert [each for each in kinds if rehearsal.finding(each)] == [kind]


LOADED = "ldr r6, =0x38000201\n ldr r1, =0x4770\n strh r1, [r6, #-1]\n dsb\n isb\n"
"""A function in RAM that returns."""
GOES_THERE = "blx r6\n"


@pytest.mark.parametrize(
    ("between", "found"),
    [
        (OFF + GOES_THERE, True),
        (OFF, True),
        ("", True),
        (OFF + region(1, 0x3800_0000, 0x3800_01FF, 1, 1), False),
    ],
    ids=["in RAM while off", "off and on", "on", "a smaller region"],
)
def test_what_may_be_executed_is_looked_at_again(between: str, found: bool) -> None:
    """Code that the core came to while its unit was off is refused where that is on again, with regions as before."""
    on = store(0xE000_ED94, "5") + "dsb\n isb\n"
    program = region(0, FLASH, FLASH + 0x3FFFF, 3, 0) + region(1, 0x3800_0000, 0x3801_FFFF, 1, 1)
    program += LOADED + on + between + on + GOES_THERE + SLEEP
    assert (run(program, "").finding("protected-fetch") is not None) is found
