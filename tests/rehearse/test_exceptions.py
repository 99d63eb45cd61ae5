"""Exceptions in small programs: what handlers see is compared with a machine of qemu-system-arm."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from machine import Machine
from rehearsals import gauge
from thumb import assembled

from gemel.image.sparse import SparseBytes
from gemel.rehearsal.emulator.core.native import Native
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.session import RehearsalOptions, rehearse

FLASH, STACK, LINK = 0x1000_0000, 0x3800_8000, 0x3801_0000
CODE, HANDLER = FLASH + 0x400, FLASH + 0x800
DONE = 0x600D_600D
NOTED = 16
"""Words of the link that a program fills."""

PREAMBLE = """
    ldr r7, =0x38010000
    movs r6, #0
    mov r5, r7
1:  str r6, [r5], #4
    ldr r4, =0x38010040
    cmp r5, r4
    bne 1b
"""
END = """
    str r0, [r7, #32]
    str r1, [r7, #36]
    str r12, [r7, #40]
    mov r3, sp
    str r3, [r7, #44]
    mrs r3, ipsr
    str r3, [r7, #48]
    ldr r3, =0x600D600D
    str r3, [r7, #64]
2:  wfi
    b 2b
    .ltorg
"""
HANDLED = """
    ldr r0, =0x38010000
    str lr, [r0]
    mrs r1, ipsr
    str r1, [r0, #4]
    mov r2, sp
    str r2, [r0, #8]
    mrs r2, psp
    str r2, [r0, #12]
    ldr r1, [r0, #52]
    adds r1, #1
    str r1, [r0, #52]
    movs r1, #99
    mov r12, r1
    ldr r2, =0xE000ED04
    ldr r2, [r2]
    ldr r3, =0x1FF
    ands r2, r3
    str r2, [r0, #16]
    ldr r2, =0xE000E010
    movs r3, #0
    str r3, [r2]
    bx lr
    .ltorg
"""
SET = "movs r0, #11\n movs r1, #22\n mov r12, r0\n"

ON_PROCESS_STACK = "ldr r0, =0x38004000\n msr psp, r0\n movs r0, #2\n msr control, r0\n isb\n"
ICSR = "ldr r2, =0xE000ED04\n ldr r3, =0x10000000\n"
TICKS = "ldr r2, =0xE000E010\n ldr r3, =0x3000\n str r3, [r2, #4]\n str r3, [r2, #8]\n"
PEND = "str r3, [r2]\n dsb\n isb\n"
NOT_YET = "ldr r3, [r7, #52]\n str r3, [r7, #56]\n"
WAIT = "3: ldr r3, [r7, #52]\n cmp r3, #0\n beq 3b\n"
LOW_PRIORITY = "ldr r2, =0xE000ED20\n ldr r3, =0x00800000\n str r3, [r2]\n"

PROGRAMS = {
    "supervisor call": f"{SET} svc 5",
    "supervisor call on an odd stack": f"sub sp, #4\n {SET} svc 5",
    "supervisor call on the process stack": f"{ON_PROCESS_STACK} {SET} svc 5",
    "pendsv": f"{ICSR} {SET} {PEND} {WAIT}",
    "tick": f"{TICKS} {SET} movs r3, #7\n str r3, [r2]\n {WAIT}",
    "tick wakes from sleep": f"{TICKS} {SET} movs r3, #7\n str r3, [r2]\n wfi\n {WAIT}",
    "interrupt pended by software": f"ldr r2, =0xE000E100\n movs r3, #0x20\n str r3, [r2]\n {SET}"
    f" str r3, [r2, #0x100]\n dsb\n isb\n {WAIT}",
    "pending but masked": f"cpsid i\n {ICSR} {SET} {PEND} {NOT_YET} cpsie i\n isb\n {WAIT}",
    "masked by priority": f"movs r3, #0x40\n msr basepri, r3\n {LOW_PRIORITY} {ICSR} {SET} {PEND}"
    f" {NOT_YET} movs r3, #0\n msr basepri, r3\n isb\n {WAIT}",
}


def image_of(program: str, folder: Path) -> SparseBytes:
    """An image of the station alone: every exception goes to the same handler."""
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", STACK, CODE + 1) + struct.pack("<I", HANDLER + 1) * 138)
    image.write(CODE, assembled(PREAMBLE + program + END, folder))
    image.write(HANDLER, assembled(HANDLED, folder))
    return image


def rehearsed(image: SparseBytes) -> Rehearsal:
    """The rehearsal of the station alone."""
    options = RehearsalOptions(budget=2_000_000, isolate=False)
    return rehearse(gauge("in-place").read, image, {}, options)


COUNT = 13
"""Which of the words tells how often the handler ran."""


@pytest.mark.parametrize("name", PROGRAMS)
def test_handlers_see_what_they_see_on_the_machine(name: str, tmp_path: Path) -> None:
    """Link value, exception number, stack pointers, restored registers and count equal the machine's.

    The machine's timer runs in real time: on a busy computer it may tick once more before it is stopped.
    """
    image = image_of(PROGRAMS[name], tmp_path)
    ours = rehearsed(image).shared_memory["link"][: 4 * NOTED + 4]
    file = tmp_path / "image.bin"
    flash = gauge("in-place").read.layout.memories["flash"]
    file.write_bytes(image.read(flash.span, flash.erased_byte))
    machine = Machine(file, tmp_path)
    try:
        machine.wait_for(LINK + 4 * NOTED, DONE)
        theirs = machine.memory(LINK, 4 * NOTED + 4)
    finally:
        machine.end()
    of_ours, of_theirs = (
        [hex(word) for (word,) in struct.iter_unpack("<I", words)] for words in (ours, theirs)
    )
    assert of_ours[COUNT] == "0x1"
    if name.startswith("tick"):
        assert int(of_theirs[COUNT], 16) >= 1
        of_theirs[COUNT] = of_ours[COUNT]
    assert of_ours == of_theirs


def test_loops_over_masks_run_natively_while_they_hold_all_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MSR of a mask that still holds off what is pending does not stop the emulator; one that lets it through does."""
    runs = 0
    run = Native.run

    def counted(native: Native, pc: int, count: int) -> tuple[int, int]:
        nonlocal runs
        runs += 1
        return run(native, pc, count)

    monkeypatch.setattr(Native, "run", counted)
    turns = "ldr r4, =5000\n5: movs r3, #0x40\n msr basepri, r3\n nop\n subs r4, #1\n bne 5b\n"
    opens = "movs r3, #0xC0\n msr basepri, r3\n isb\n"
    program = f"movs r3, #0x40\n msr basepri, r3\n {LOW_PRIORITY} {ICSR} {SET} {PEND} {turns} {NOT_YET} {opens} {WAIT}"
    words = rehearsed(image_of(program, tmp_path)).shared_memory["link"]
    assert struct.unpack_from("<2I", words, 4 * COUNT) == (1, 0)
    assert runs < 1000


@pytest.mark.parametrize(
    ("mask", "said"), [("cpsid f", "FAULTMASK is set"), ("cpsid i", "enters its HardFault")]
)
def test_what_follows_a_fault_under_a_mask(mask: str, said: str, tmp_path: Path) -> None:
    """Under FAULTMASK no handler is entered, whatever the vector; PRIMASK holds off none of a fault."""
    rehearsal = rehearsed(image_of(f"{mask}\n ldr r0, =0x70000000\n ldr r0, [r0]\n", tmp_path))
    finding = rehearsal.finding("unmapped-read")
    assert finding is not None
    assert said in finding.found


def test_float_registers_survive_an_exception(tmp_path: Path) -> None:
    """A handler may change the float registers of who uses them: the frame brings them back."""
    enable = (
        "ldr r2, =0xE000ED88\n ldr r3, =0xF00000\n str r3, [r2]\n dsb\n isb\n movs r3, #77\n vmov s3, r3\n"
    )
    program = enable + SET + " svc 5\n vmov r3, s3\n str r3, [r7, #56]"
    changed = HANDLED.replace("    bx lr", "    vmov s3, r1\n    bx lr")
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", STACK, CODE + 1) + struct.pack("<I", HANDLER + 1) * 138)
    image.write(CODE, assembled(PREAMBLE + program + END, tmp_path, "armv8-m.main+fp"))
    image.write(HANDLER, assembled(changed, tmp_path, "armv8-m.main+fp"))
    case = gauge("in-place")
    text = case.read.text.replace(
        'extensions = ["mpu", "security"]', 'extensions = ["fp", "mpu", "security"]'
    )
    from gemel.layout.reader import read_layout

    options = RehearsalOptions(budget=400_000, isolate=False)
    rehearsal = rehearse(read_layout(text.encode(), "x.toml"), image, {}, options)
    words = struct.unpack("<17I", rehearsal.shared_memory["link"][:68])
    assert words[14] == 77
    assert words[0] == 0xFFFF_FFE9
    assert words[2] == STACK - 104
    assert words[16] == DONE


@pytest.mark.parametrize(
    ("code", "place"),
    [
        ("nop\n cmp r0, r0\n it ne\n vmovne s0, r1\n vmov s0, r1", 10),
        ("cmp r0, r0\n itt ne\n movne r1, #1\n movne r2, #2\n nop\n vmov s0, r1", 10),
        ("cmp r0, r0\n ite eq\n moveq r1, #1\n vmovne s0, r1\n ite ne\n vmovne s0, r1\n vmoveq s0, r1", 16),
    ],
)
def test_float_unit_must_be_switched_on(code: str, place: int, tmp_path: Path) -> None:
    """The first float instruction before the coprocessor access register is set is found, after it none is."""
    from gemel.layout.reader import read_layout

    case = gauge("in-place")
    text = case.read.text.replace(
        'extensions = ["mpu", "security"]', 'extensions = ["fp", "mpu", "security"]'
    )
    read = read_layout(text.encode(), "x.toml")
    enable = "ldr r2, =0xE000ED88\n ldr r3, =0xF00000\n str r3, [r2]\n dsb\n isb\n"
    for first, expected in (("", True), (enable, False)):
        image = SparseBytes()
        image.write(FLASH, struct.pack("<II", STACK, CODE + 1) + struct.pack("<I", CODE + 1) * 138)
        source = f"{first} {code}\n b .\n .ltorg"
        image.write(CODE, assembled(source, tmp_path, "armv8-m.main+fp"))
        rehearsal = rehearse(read, image, {}, RehearsalOptions(budget=40_000, isolate=False))
        finding = rehearsal.finding("float-unit-off")
        assert (finding is not None) == expected
        if finding is not None and finding.place is not None:
            assert finding.place.address == CODE + place


FIRST_BAD = """
    ldr r0, =0x38010000
    ldr r1, [r0, #52]
    adds r1, #1
    str r1, [r0, #52]
    str lr, [r0, r1, lsl #3]
    mov r2, sp
    add r3, r0, r1, lsl #3
    str r2, [r3, #4]
    cmp r1, #1
    bne 1f
    ldr lr, ={link}
    bx lr
1:  ldr lr, =0xFFFFFFF9
    bx lr
    .ltorg
"""


@pytest.mark.parametrize(
    "link",
    [0xFFFF_FFF1, 0xFFFF_FFFB, 0xFFFF_FFE1],
    ids=["to a handler", "reserved bit", "to a handler's floats"],
)
def test_a_fault_takes_the_place_of_a_return(link: int, tmp_path: Path) -> None:
    """A return that cannot be has ended its handler: the fault's has its link value and the frame that was there.

    DDI 0403 and DDI 0553, "Exception return" (from memory); the board's emulator does the same (``idioms``).
    """
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", STACK, CODE + 1) + struct.pack("<I", HANDLER + 1) * 138)
    program = "ldr r2, =0xE000E100\n movs r3, #0x20\n str r3, [r2]\n str r3, [r2, #0x100]\n dsb\n isb\n"
    image.write(CODE, assembled(PREAMBLE + program + END, tmp_path))
    image.write(HANDLER, assembled(FIRST_BAD.format(link=link), tmp_path))
    words = struct.unpack("<17I", rehearsed(image).shared_memory["link"][:68])
    assert words[COUNT] == 2
    assert words[2:6] == (0xFFFF_FFF9, STACK - 32, link, STACK - 32)
    assert words[16] == DONE


def test_thread_mode_below_an_active_handler(tmp_path: Path) -> None:
    """A handler may go to thread mode and be gone back to: it stays active, and keeps its like from being taken.

    DDI 0553, "Exception return": CCR.NONBASETHRDENA is one on Armv8-M (from memory).
    """
    handler = """
    ldr r0, =0x38010000
    mrs r1, ipsr
    cmp r1, #11
    beq 1f
    ldr r2, [r0, #52]
    adds r2, #1
    str r2, [r0, #52]
    cmp r2, #1
    bne 3f
    push {r4, lr}
    svc 0
    mrs r1, ipsr
    str r1, [r0]
    pop {r4, lr}
3:  bx lr
1:  ldr r2, [r0, #4]
    cmp r2, #0
    bne 2f
    str lr, [r0, #4]
    ldr r2, =0x38003F00
    adr r3, in_thread
    str r3, [r2, #24]
    ldr r3, =0x01000000
    str r3, [r2, #28]
    msr psp, r2
    ldr lr, =0xFFFFFFFD
    bx lr
2:  mov lr, r2
    bx lr
    .align 2
in_thread:
    ldr r0, =0x38010000
    mrs r1, ipsr
    str r1, [r0, #8]
    ldr r2, =0xE000E200
    movs r3, #0x20
    str r3, [r2]
    dsb
    isb
    ldr r1, [r0, #52]
    str r1, [r0, #12]
    svc 0
    .ltorg
"""
    program = (
        "ldr r2, =0xE000E100\n movs r3, #0x20\n str r3, [r2]\n ldr r1, =0x80808080\n ldr r0, =0xE000E404\n"
    )
    program += "str r1, [r0]\n str r3, [r2, #0x100]\n dsb\n isb\n"
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", STACK, CODE + 1) + struct.pack("<I", HANDLER + 1) * 138)
    image.write(CODE, assembled(PREAMBLE + program + END, tmp_path))
    image.write(HANDLER, assembled(handler, tmp_path))
    words = struct.unpack("<17I", rehearsed(image).shared_memory["link"][:68])
    assert words[0] == 16 + 5
    assert words[2:4] == (0, 1)
    assert words[COUNT] == 2
    assert words[16] == DONE
