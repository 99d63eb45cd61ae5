"""What an instruction needs, compared with an independent opinion: what the assembler takes for whom."""

from __future__ import annotations

from pathlib import Path

import pytest
from thumb import accepted, assembled

from gemel.rehearsal.emulator.code_blocks import lacking
from gemel.rehearsal.emulator.instruction_needs import instructions, is_call, need_of

ARCHITECTURES = {
    "armv6-m": ("armv6-m", ()),
    "armv7-m": ("armv7-m", ()),
    "armv7e-m": ("armv7e-m", ("dsp",)),
    "armv7e-m+fp": ("armv7e-m", ("dsp", "fp")),
    "armv7e-m+fp.dp": ("armv7e-m", ("dsp", "fp", "fp-double")),
    "armv8-m.base": ("armv8-m.base", ()),
    "armv8-m.main": ("armv8-m.main", ()),
    "armv8-m.main+dsp": ("armv8-m.main", ("dsp",)),
    "armv8-m.main+fp": ("armv8-m.main", ("fp",)),
}
"""The compiler's names of architectures, and what a layout says for them."""


def _listed(text: str) -> list[str]:
    return [line.strip() for line in text.split("|")]


BASE = _listed("""
    movs r0, #1 | adds r0, r1, r2 | ldr r0, [r1] | str r0, [sp, #4] | push {r4, lr} | pop {r4, pc}
    | bl . | bx lr | blx r3 | muls r0, r1, r0 | rev r0, r1 | uxtb r0, r1 | cpsid i | msr primask, r0
    | mrs r0, primask | mrs r0, ipsr | dmb | dsb | isb | nop | wfi | wfe | sev | svc 1 | bkpt 1
    | ldm r0!, {r1, r2} | stm r0!, {r1, r2} | beq . | b . | cmp r0, r1 | adr r0, .
""")

BASELINE = _listed("""
    cbz r0, .+4 | cbnz r1, .+6 | movw r0, #4660 | movt r0, #4660 | sdiv r0, r1, r2 | udiv r0, r1, r2
    | ldrex r0, [r1] | strex r0, r1, [r2] | ldrexb r0, [r1] | ldrexh r0, [r1] | strexb r0, r1, [r2]
    | strexh r0, r1, [r2] | clrex | b.w .
""")

ACQUIRE = _listed("""
    lda r0, [r1] | ldab r0, [r1] | ldah r0, [r1] | stl r0, [r1] | stlb r0, [r1] | stlh r0, [r1]
    | ldaex r0, [r1] | stlex r0, r1, [r2] | ldaexb r0, [r1] | stlexh r0, r1, [r2]
""")

MAINLINE = _listed("""
    ldr.w r0, [r1, #100] | ldr r8, [r9] | ldrd r0, r1, [r2] | strd r0, r1, [r2] | add.w r8, r9, r10
    | tbb [r0, r1] | tbh [r0, r1, lsl #1] | bfi r0, r1, #2, #3 | ubfx r0, r1, #2, #3 | mla r0, r1, r2, r3
    | mls r0, r1, r2, r3 | umull r0, r1, r2, r3 | smull r0, r1, r2, r3 | smlal r0, r1, r2, r3
    | umlal r0, r1, r2, r3 | clz r0, r1 | rbit r0, r1 | ssat r0, #8, r1 | usat r0, #8, r1
    | ldmia.w r0, {r8, r9} | stmdb sp!, {r8, r9} | msr basepri, r0 | mrs r0, basepri | sxth.w r8, r9
    | uxtb.w r8, r9 | lsl.w r0, r1, r2 | pld [r0] | it eq; moveq r0, r1 | mul r8, r9, r10 | rev.w r8, r9
    | eor r0, r1, #255 | orn r0, r1, r2 | adds.w r0, r1, #1 | bne.w . | ldrsb.w r0, [r1, #9] | teq r0, r1
    | rrx r0, r1
""")

DSP = _listed("""
    sadd8 r0, r1, r2 | uadd16 r0, r1, r2 | shsub8 r0, r1, r2 | uqadd16 r0, r1, r2 | qadd r0, r1, r2
    | qdsub r0, r1, r2 | sel r0, r1, r2 | smlabb r0, r1, r2, r3 | smlad r0, r1, r2, r3
    | smlawb r0, r1, r2, r3 | smmla r0, r1, r2, r3 | smulbb r0, r1, r2 | smuad r0, r1, r2
    | usad8 r0, r1, r2 | usada8 r0, r1, r2, r3 | umaal r0, r1, r2, r3 | smlalbb r0, r1, r2, r3
    | smlald r0, r1, r2, r3 | smlsld r0, r1, r2, r3 | pkhbt r0, r1, r2 | pkhtb r0, r1, r2
    | ssat16 r0, #8, r1 | usat16 r0, #8, r1 | sxtab r0, r1, r2 | uxtah r0, r1, r2 | sxtb16 r0, r1
    | uxtab16 r0, r1, r2 | smmulr r0, r1, r2
""")

FLOAT = _listed("""
    vmov s0, r0 | vmov r0, s0 | vadd.f32 s0, s1, s2 | vmul.f32 s0, s1, s2 | vldr s0, [r0]
    | vstr s0, [r0] | vpush {d8} | vpop {d8} | vldr d0, [r0] | vstmia r0!, {s0-s3} | vmrs r0, fpscr
    | vmsr fpscr, r0 | vcmp.f32 s0, s1 | vcvt.f32.s32 s0, s1 | vsqrt.f32 s0, s1 | vfma.f32 s0, s1, s2
    | vmov d0, r0, r1 | vabs.f32 s0, s1 | vneg.f32 s0, s1 | vdiv.f32 s0, s1, s2
""")

DOUBLE = """vadd.f64 d0, d1, d2|vmul.f64 d0, d1, d2|vcmp.f64 d0, d1|vcvt.f64.s32 d0, s1|vsqrt.f64 d0, d1
vfma.f64 d0, d1, d2|vdiv.f64 d0, d1, d2|vcvt.f64.f32 d0, s1|vcvt.f32.f64 s0, d1""".replace("\n", "|").split(
    "|"
)

ALL = [*BASE, *BASELINE, *ACQUIRE, *MAINLINE, *DSP, *FLOAT, *DOUBLE]
EVERYTHING = "armv8-m.main+dsp+fp.dp"

NOT_COMPARED = {
    # The assembler wants its extension "os" named for supervisor calls; every core of the family has them.
    "armv6-m": {"svc 1"},
    # Acquire and release came with Armv8-M; the emulator's Armv7-M cores refuse them themselves.
    "armv7-m": set(ACQUIRE),
    "armv7e-m": set(ACQUIRE),
    "armv7e-m+fp.dp": set(ACQUIRE),
    # The assembler takes this one for single-precision units too, which have no double-precision arithmetic.
    "armv7e-m+fp": {*ACQUIRE, "vfma.f64 d0, d1, d2"},
    "armv8-m.main+fp": {"vfma.f64 d0, d1, d2"},
}


@pytest.mark.parametrize("name", ARCHITECTURES)
def test_needs_agree_with_the_assembler(name: str, tmp_path: Path) -> None:
    """An instruction is missing on a core exactly if the assembler refuses it for that architecture."""
    architecture, extensions = ARCHITECTURES[name]
    lacks = lacking(architecture, extensions)
    compared = [line for line in ALL if line not in NOT_COMPARED.get(name, set())]
    taken = accepted(compared, tmp_path, name)
    for line in compared:
        code = assembled(line, tmp_path, EVERYTHING)
        _, first, second = next(instructions(code))
        need = need_of(first, second)
        assert (need not in lacks) == (line in taken), f"{line}: needs {need}; {name} lacks {sorted(lacks)}"


def test_calls_are_told_from_branches(tmp_path: Path) -> None:
    """Only instructions that leave a return address count as calls."""
    for line, expected in (
        ("bl .", True),
        ("blx r3", True),
        ("b.w .", False),
        ("bx lr", False),
        ("bx r3", False),
    ):
        _, first, second = next(instructions(assembled(line, tmp_path)))
        assert is_call(first, second) == expected, line


def test_half_an_instruction_is_left_alone() -> None:
    """Code that ends inside a 32-bit instruction gives the whole ones before it."""
    assert list(instructions(b"\x00\xbf\x00\xf0")) == [(0, 0xBF00, 0)]
    assert list(instructions(b"")) == []
    assert list(instructions(b"\x00")) == []
