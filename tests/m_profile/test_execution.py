"""Instructions executed with known values do what an emulated core does, by its registers, flags and memory."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import pytest
from thumb import assembled

from gemel.m_profile.execution.thumb_operations import operation_of
from gemel.m_profile.execution.values import FollowedCore

CODE, RAM, SIZE = 0x0800_0000, 0x2000_0000, 0x1000
LOW = [f"r{at}" for at in range(8)]
ALL = [*LOW, "r8", "r9", "r10", "r12"]
NARROW = (
    "lsls {l}, {m}, #{i5}", "lsrs {l}, {m}, #{i5}", "asrs {l}, {m}, #{i5}", "adds {l}, {m}, {n}", "subs {l}, {m}, {n}",
    "adds {l}, {m}, #{i3}", "subs {l}, {m}, #{i3}", "movs {l}, #{i8}", "cmp {l}, #{i8}", "adds {l}, #{i8}",
    "subs {l}, #{i8}", "ands {l}, {m}", "eors {l}, {m}", "lsls {l}, {m}", "lsrs {l}, {m}", "asrs {l}, {m}",
    "adcs {l}, {m}", "sbcs {l}, {m}", "rors {l}, {m}", "tst {l}, {m}", "rsbs {l}, {m}, #0", "cmp {l}, {m}",
    "cmn {l}, {m}", "orrs {l}, {m}", "muls {l}, {m}, {l}", "bics {l}, {m}", "mvns {l}, {m}", "add {x}, {y}",
    "mov {x}, {y}", "cmp {x}, {y}", "sxth {l}, {m}", "sxtb {l}, {m}", "uxth {l}, {m}", "uxtb {l}, {m}", "rev {l}, {m}",
    "rev16 {l}, {m}", "revsh {l}, {m}", "adr {l}, 3f\n b 3f\n .balign 4\n3:", "add {l}, sp, #8",
)  # fmt: skip
WIDE = (
    "and{s}.w {x}, {y}, {z}, lsl #{i4}", "bic{s}.w {x}, {y}, {z}, lsr #{i4}", "orr{s}.w {x}, {y}, {z}, asr #{i4}",
    "orn{s} {x}, {y}, {z}, ror #{i4}", "eor{s}.w {x}, {y}, {z}", "add{s}.w {x}, {y}, {z}, lsl #3",
    "adc{s}.w {x}, {y}, {z}", "sbc{s}.w {x}, {y}, {z}", "sub{s}.w {x}, {y}, {z}", "rsb{s} {x}, {y}, {z}",
    "and{s} {x}, {y}, #{mod}", "orr{s} {x}, {y}, #{mod}", "eor{s} {x}, {y}, #{mod}", "bic{s} {x}, {y}, #{mod}",
    "add{s}.w {x}, {y}, #{mod}", "sub{s}.w {x}, {y}, #{mod}", "rsb{s} {x}, {y}, #{mod}", "mov{s}.w {x}, #{mod}",
    "mvn{s} {x}, #{mod}", "tst {x}, #{mod}", "teq {x}, #{mod}", "cmp.w {x}, #{mod}", "cmn {x}, #{mod}",
    "movw {x}, #{i16}", "movt {x}, #{i16}", "addw {x}, {y}, #{i12}", "subw {x}, {y}, #{i12}",
    "ubfx {x}, {y}, #{i4}, #7", "sbfx {x}, {y}, #{i4}, #9", "bfi {x}, {y}, #{i4}, #6", "bfc {x}, #{i4}, #5",
    "lsl{s}.w {x}, {y}, {z}", "lsr{s}.w {x}, {y}, {z}", "asr{s}.w {x}, {y}, {z}", "ror{s}.w {x}, {y}, {z}",
    "mul {x}, {y}, {z}", "mla {x}, {y}, {z}, {x}", "mls {x}, {y}, {z}, {x}", "umull r1, r2, {y}, {z}",
    "smull r1, r2, {y}, {z}", "udiv {x}, {y}, {z}", "sdiv {x}, {y}, {z}", "clz {x}, {y}", "rbit {x}, {y}",
    "sxtb.w {x}, {y}, ror #8", "uxth.w {x}, {y}, ror #16", "adr.w {x}, 3f\n3:",
)  # fmt: skip
MEMORY = (
    "str {l}, [r11, #{w4}]", "ldr {l}, [r11, #{w4}]", "strb.w {l}, [r11, #{i5}]", "ldrb.w {l}, [r11, #{i5}]",
    "ldrsb.w {l}, [r11, #{i5}]", "strh.w {l}, [r11, #{w4}]", "ldrsh.w {l}, [r11, #{w4}]", "ldr.w {l}, [r11, #3]",
    "str.w {l}, [r11], #4\n sub.w r11, r11, #4", "ldr.w {l}, [r11, #4]!\n sub.w r11, r11, #4", "push {{r0-r3, r7}}",
    "pop {{r1-r4, r6}}", "stmia.w r11, {{r0-r5}}", "ldmia.w r11, {{r1, r3, r8}}", "strd r2, r5, [r11, #8]",
    "ldrd r4, r6, [r11, #8]", "stmdb.w r11, {{r2, r4}}", "ldr {l}, 1f\n b 2f\n .balign 4\n1: .word {i16}\n2:",
)  # fmt: skip

FLOATS = (
    "vmov {f}, {l}", "vmov {l}, {f}", "vmov {two}, {l}, {x}", "vmov r1, r2, {two}", "vmov {d}, {l}, {x}",
    "vmov r3, r5, {d}", "vmov.32 {d}[0], {l}", "vmov.32 {d}[1], {l}", "vmov.32 {l}, {d}[0]", "vmov.32 {l}, {d}[1]",
    "vmov.f32 {f}, {g}", "vstr {f}, [r11, #{w4}]", "vldr {f}, [r11, #{w4}]", "vstr {d}, [r11, #{w4}]",
    "vldr {d}, [r11, #{w4}]", "vstmia r11!, {{{f}}}\n sub.w r11, r11, #4", "vldmia r11, {{{d}}}",
    "vstmia r11, {{{two}}}", "vldmia r11, {{s13-s19}}", "vpush {{d1-d3}}", "vpop {{d13-d15}}", "vmsr fpscr, r9",
    "vstmdb r11!, {{s4-s9}}\n add.w r11, r11, #24",
)  # fmt: skip


def _lines(choose: random.Random, templates: tuple[str, ...], count: int) -> list[str]:
    lines = []
    for _ in range(count):
        low, high = choose.choices(LOW, k=3), choose.choices(ALL, k=3)
        numbers = {f"i{bits}": choose.randrange(1, 1 << bits) for bits in (3, 4, 5, 8, 12, 16)}
        modified = choose.randrange(0x80, 0x100) << choose.randrange(0, 24)
        names = dict(zip("lmnxyz", [*low, *high], strict=True))
        single, other, double = (choose.randrange(bound) for bound in (31, 32, 16))
        names |= {"f": f"s{single}", "two": f"s{single}, s{single + 1}", "g": f"s{other}", "d": f"d{double}"}
        line = choose.choice(templates).format(
            **names, **numbers, mod=modified, w4=4 * choose.randrange(16), s=choose.choice(["", "s"])
        )
        lines.append(line)
    return lines


@pytest.mark.parametrize("seed", range(3))
def test_agrees_with_an_emulated_core(seed: int, tmp_path: Path) -> None:
    """Straight-line code of all forms leaves the same registers, flags and memory after each instruction."""
    unicorn = pytest.importorskip("unicorn")
    from unicorn import arm_const as arm

    choose = random.Random(seed)
    lines = _lines(choose, NARROW, 120) + _lines(choose, WIDE, 160)
    lines += _lines(choose, MEMORY, 60) + _lines(choose, FLOATS, 120)
    choose.shuffle(lines)
    code = assembled("\n".join([".fpu fpv5-d16", *lines]), tmp_path, "armv7e-m")
    machine = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
    machine.ctl_set_cpu_model(arm.UC_CPU_ARM_CORTEX_M4)
    machine.mem_map(CODE, 0x1_0000)
    machine.mem_map(RAM, SIZE)
    machine.mem_write(CODE, code)
    stored = dict(enumerate(code, CODE)) | dict.fromkeys(range(RAM, RAM + SIZE), 0)
    core = FollowedCore(stored.get, CODE, RAM + SIZE - 0x100)
    numbers = [getattr(arm, f"UC_ARM_REG_R{at}") for at in range(13)]
    names = [*numbers, arm.UC_ARM_REG_SP, arm.UC_ARM_REG_LR]
    for at, name in enumerate(names):
        core.registers[at] = {11: RAM + 0x80, 13: RAM + SIZE - 0x100}.get(at, choose.getrandbits(32))
        machine.reg_write(name, core.registers[at])
    floats = [getattr(arm, f"UC_ARM_REG_S{at}") for at in range(32)]
    for at, name in enumerate(floats):
        core.floats[at] = choose.getrandbits(32)
        machine.reg_write(name, core.floats[at])
    core.n = core.z = core.c = core.v = 0
    machine.reg_write(arm.UC_ARM_REG_XPSR, 0x0100_0000)
    while core.pc < CODE + len(code):
        pc = core.pc
        first, second = core.load(pc, 2), core.load(pc + 2, 2) or 0
        led = operation_of(pc, first, second if first >= 0xE800 else 0)(core)
        core.pc = led if led is not None else pc + (4 if first >= 0xE800 else 2)
        machine.emu_start(pc | 1, 0, count=1)
        flags = machine.reg_read(arm.UC_ARM_REG_XPSR) >> 28
        mine = [int(bool(each)) for each in (core.n, core.z, core.c, core.v)]
        assert mine == [flags >> 3 & 1, flags >> 2 & 1, flags >> 1 & 1, flags & 1], (
            f"{pc:#x} {first:04x} {second:04x}"
        )
        assert core.registers[:15] == [machine.reg_read(name) for name in names], (
            f"{pc:#x} {first:04x} {second:04x}"
        )
        assert core.floats[:32] == [machine.reg_read(name) for name in floats], (
            f"{pc:#x} {first:04x} {second:04x}"
        )
        assert core.pc == machine.reg_read(arm.UC_ARM_REG_PC)
    words = struct.unpack(f"<{SIZE // 4}I", machine.mem_read(RAM, SIZE))
    assert [core.load(RAM + 4 * at, 4) for at in range(SIZE // 4)] == list(words)
