"""The table of instructions against the GNU assembler: what it takes for a core, the core has.

Each line of ``INSTRUCTIONS`` is assembled once for a core that has everything, which gives its encoding, and
once for each architecture with each set of extensions that it can have.  An instruction that the assembler
refuses there is lacking, one that it takes is not.  Left out is what the assembler judges otherwise than the
manuals: SVC and UDF.W, which it refuses for Armv6-M, and VFMA.F64 and VCMP.F64, which it takes for single
precision.  It takes the instructions of the security extension for all of Armv8-M, so they have their own test.
"""

from __future__ import annotations

import subprocess
from functools import cache
from itertools import combinations
from pathlib import Path

import pytest
from thumb import accepted
from tools import required_tool

from gemel.m_profile.architectures import ARCHITECTURES, EXTENSIONS_OF
from gemel.m_profile.capabilities import IN_WORDS, lacking
from gemel.m_profile.instructions.halfwords import instructions
from gemel.m_profile.instructions.instruction_table import Encoding, encoding_of
from gemel.m_profile.instructions.sieve import Sieve

INSTRUCTIONS = """\
adds r0, r1, r2|movs r0, #1|ldr r0, [r1, #4]|push {r4, lr}|pop {r4, pc}|bx lr|blx r3|b .|beq .|bl .|nop|wfi
sev|msr primask, r0|mrs r0, psp|dsb|dmb|isb|bkpt #0|rev r0, r1|sxtb r0, r1|uxth r0, r1|cpsie i
mul r0, r1, r0|cbz r0, .+4|cbnz r3, .+6|movw r0, #1234|movt r0, #1234|b.w .|sdiv r0, r1, r2|udiv r3, r4, r5
ldrex r0, [r1]|strex r0, r1, [r2]|ldrexb r0, [r1]|ldrexh r0, [r1]|strexb r0, r1, [r2]|strexh r0, r1, [r2]
clrex|lda r0, [r1]|ldab r0, [r1]|ldah r0, [r1]|stl r0, [r1]|stlb r0, [r1]|stlh r0, [r1]|ldaex r0, [r1]
ldaexb r0, [r1]|ldaexh r0, [r1]|stlex r0, r1, [r2]|stlexb r0, r1, [r2]|stlexh r0, r1, [r2]|tt r0, r1
ttt r0, r1|it eq; moveq r0, r1|adds.w r0, r1, #256|mov.w r0, #-1|ldr.w r0, [r1, #-4]|ldrd r0, r1, [r2]
strd r0, r1, [r2, #8]|ldm.w r0, {r1, r2, r8}|stmdb r0!, {r1, r8}|tbb [r0, r1]|tbh [r0, r1, lsl #1]|beq.w .
ubfx r0, r1, #2, #3|sbfx r0, r1, #2, #3|bfi r0, r1, #2, #3|clz r0, r1|rbit r0, r1|rev.w r8, r9|sxtb.w r8, r9
sxth.w r8, r9|uxtb.w r8, r9|uxth.w r8, r9|ssat r0, #5, r1|usat r0, #5, r1|ssat r0, #5, r1, asr #3
mla r0, r1, r2, r3|mls r0, r1, r2, r3|smull r0, r1, r2, r3|umull r0, r1, r2, r3|smlal r0, r1, r2, r3
umlal r0, r1, r2, r3|msr basepri, r0|ldrt r0, [r1]|strbt r0, [r1]|pld [r0]|and.w r0, r1, r2, lsl #3
orn r0, r1, r2|rsb r0, r1, #7|mul.w r8, r9, r10|mrc p5, 0, r0, c1, c2, 0|mcr p5, 0, r0, c1, c2, 0
cdp p5, 0, c1, c2, c3, 0|ldc p5, c1, [r0]|pkhbt r0, r1, r2|pkhtb r0, r1, r2, asr #3|sxtab r0, r1, r2
sxtah r0, r1, r2|uxtab r0, r1, r2|uxtah r0, r1, r2|sxtab16 r0, r1, r2|uxtab16 r0, r1, r2|sxtb16 r0, r1
uxtb16 r0, r1|sadd16 r0, r1, r2|qadd8 r0, r1, r2|uhsub16 r0, r1, r2|shasx r0, r1, r2|uqsax r0, r1, r2
usub8 r0, r1, r2|qadd r0, r1, r2|qdadd r0, r1, r2|qsub r0, r1, r2|qdsub r0, r1, r2|sel r0, r1, r2
smlabb r0, r1, r2, r3|smultt r0, r1, r2|smlad r0, r1, r2, r3|smuadx r0, r1, r2|smlawb r0, r1, r2, r3
smulwt r0, r1, r2|smlsd r0, r1, r2, r3|smusd r0, r1, r2|smmla r0, r1, r2, r3|smmulr r0, r1, r2
smmls r0, r1, r2, r3|usad8 r0, r1, r2|usada8 r0, r1, r2, r3|smlalbt r0, r1, r2, r3|smlald r0, r1, r2, r3
smlsldx r0, r1, r2, r3|umaal r0, r1, r2, r3|ssat16 r0, #5, r1|usat16 r0, #5, r1|msr apsr_nzcvqg, r0
vmov s0, r0|vmov r0, s31|vldr s0, [r1]|vstr s3, [r1, #8]|vpush {s16-s19}|vpop {d8-d9}|vldr d0, [r1]
vmov r0, r1, d3|vmrs r0, fpscr|vmsr fpscr, r0|vadd.f32 s0, s1, s2|vmul.f32 s5, s6, s7|vdiv.f32 s0, s1, s2
vsqrt.f32 s0, s1|vcmp.f32 s0, s1|vfma.f32 s0, s1, s2|vcvt.s32.f32 s0, s1|vcvt.f32.u32 s0, s1|vneg.f32 s0, s1
vabs.f32 s0, s1|vmov.f32 s0, #1.0|vmov.f32 s0, s1|vcvtb.f32.f16 s0, s1|vadd.f64 d0, d1, d2
vdiv.f64 d0, d1, d2|vcvt.f64.f32 d0, s1|vcvt.f32.f64 s0, d1|vcvt.s32.f64 s0, d1|vmul.f64 d3, d4, d5
vsqrt.f64 d3, d4|csel r0, r1, r2, eq|csinc r0, r1, r2, ne|csinv r0, r1, r2, lt|csneg r0, r1, r2, gt
dls lr, r0|wls lr, r0, .+8|clrm {r0, r3, apsr}|vadd.f16 s0, s1, s2|vldr.16 s0, [r1]|vmov.f16 s0, r1
vins.f16 s0, s1|vmovx.f16 s0, s1|vadd.i32 q0, q1, q2|vmul.i16 q0, q1, q2|vldrw.u32 q0, [r0]|vstrb.8 q0, [r1]
vld20.8 {q0, q1}, [r0]|vdup.32 q0, r1|vmov.8 q0[3], r1|vmov.u16 r1, q0[2]|vmov q0[2], q0[0], r0, r1
vpst; vaddt.i8 q0, q0, q1|vctp.32 r0|vpsel q0, q1, q2|vmladav.s32 r0, q1, q2|vshl.u32 q0, r1|lsll r0, r1, #3
sqrshr r0, r1|asrl r0, r1, r2|dlstp.32 lr, r0|vcmp.i32 eq, q0, q1|vmov.i32 q0, #7|vorr.i32 q0, #1
vbic q0, q1, q2|vqshl.s32 q0, r1|vmaxv.s32 r0, q1|vrev32.8 q0, q1|vadd.f32 q0, q1, q2|vmul.f16 q0, q1, q2
vfma.f32 q0, q1, q2|vcmp.f32 gt, q0, q1|vcadd.f32 q0, q1, q2, #90|vcmla.f32 q0, q1, q2, #0
vcmul.f16 q0, q1, q2, #0|vcvt.f32.s32 q0, q1|vcvt.s32.f32 q0, q1, #3|vrintz.f32 q0, q1|vabs.f32 q0, q1
vneg.f16 q0, q1|vmaxnm.f32 q0, q1, q2|vmaxnmv.f32 r0, q1|vmaxnma.f16 q0, q1|vadd.f32 q0, q1, r2
vcvtb.f32.f16 q0, q1|vstmia r0!, {s0-s3}|vmov d0, r0, r1|wfe|cpsid i|ldm r0!, {r1, r2}|stm r0!, {r1, r2}
adr r0, .|mrs r0, ipsr|mrs r0, basepri|sub.w r8, r9, r10|lsl.w r0, r1, r2|ldrsb.w r0, [r1, #9]|teq r0, r1
rrx r0, r1|eor r0, r1, #255|ldmia.w r0, {r8, r9}|uadd16 r0, r1, r2|smulbb r0, r1, r2|smlalbb r0, r1, r2, r3
smmla r0, r1, r2, r3|vcvt.f64.s32 d0, s1|vadd.i8 q0, q1, q2|vldrb.u8 q0, [r0]|bf 0x8, 0x10
"""
SECURITY = "sg|bxns lr|blxns r3|tta r0, r1|ttat r0, r1|vlstm r0|vlldm r0"
TEXTS = [text for line in INSTRUCTIONS.splitlines() for text in line.split("|")]

EVERYTHING = ("armv8.1-m.main", ("dsp", "fp-double", "mve-fp", "security"))
IN_MARCH = {"fp": "fp", "fp-double": "fp.dp", "dsp": "dsp", "mve": "mve", "mve-fp": "mve.fp"}
CORES = [
    (architecture, extensions)
    for architecture in ARCHITECTURES
    for count in range(len(IN_MARCH) + 1)
    for extensions in combinations((each for each in EXTENSIONS_OF[architecture] if each in IN_MARCH), count)
]
"""Every architecture with every set of extensions that bring instructions (the MPU brings none)."""


def _march(architecture: str, extensions: tuple[str, ...]) -> str:
    """The assembler's name of such a core; Armv7E-M has DSP instructions without being asked."""
    implied = {"dsp"} if architecture == "armv7e-m" else set()
    return architecture + "".join(
        f"+{IN_MARCH[each]}" for each in extensions if each in IN_MARCH and each not in implied
    )


def _assembled(folder: Path, march: str, texts: list[str]) -> tuple[bytes, set[int]]:
    """The code of all ``texts``, each in a section of 8 bytes, and which of them are refused."""
    lines = [".syntax unified", ".thumb"]
    source, listed = folder / "all.s", folder / "all.o"
    for number, text in enumerate(texts):
        lines.append(f'.section .c{number:04},"ax"; .p2align 3; {text}; .p2align 3')
    source.write_text("\n".join(lines) + "\n")
    command = [required_tool("arm-none-eabi-gcc"), f"-march={march}", "-mthumb", "-mfloat-abi=softfp"]
    if not {"fp", "mve"} & set(march.replace(".", "+").split("+")[1:]):
        command[-1] = "-mfloat-abi=soft"
    done = subprocess.run(
        [*command, "-c", str(source), "-o", str(listed)], capture_output=True, text=True, check=False
    )
    refused = {
        int(line.split(":")[1]) - 3
        for line in done.stderr.splitlines()
        if "Error:" in line and line.split(":")[1].isdigit()
    }
    return listed.read_bytes() if listed.is_file() else b"", refused


@cache
def _encodings(folder: Path) -> dict[str, bytes]:
    """The bytes of each instruction, of several the last one, as assembled for a core with everything."""
    import io

    from elftools.elf.elffile import ELFFile

    texts = [*TEXTS, *SECURITY.split("|")]
    data, refused = _assembled(folder, _march(*EVERYTHING), texts)
    assert not refused, [texts[number] for number in refused]
    file = ELFFile(io.BytesIO(data))
    found = {}
    for number, text in enumerate(texts):
        section = file.get_section_by_name(f".c{number:04}")
        assert section is not None
        code = section.data()
        size = 4 if code[1] >= 0xE8 else 2
        if ";" in text and not text.startswith("it"):
            code, size = code[4:], 4
        found[text] = code[:size]
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("assembled")


def test_what_the_assembler_refuses_is_lacking(folder: Path) -> None:
    """For each of 51 kinds of core exactly those instructions are lacking that the assembler refuses."""
    assert len(CORES) == 51
    encodings = _encodings(folder)
    for architecture, extensions in CORES:
        lacks = lacking(architecture, extensions)
        sieve = Sieve(lacks)
        taken = accepted(TEXTS, folder, _march(architecture, extensions))
        assert taken, "the assembler knows no such core"
        has = {text for text in TEXTS if not _encoding(encodings[text]).is_lacking(lacks)}
        assert has == taken, (architecture, extensions, has ^ taken)
        assert {text for text in TEXTS if not sieve.of(encodings[text])} == has


def _encoding(code: bytes) -> Encoding:
    ((_, first, second),) = instructions(code)
    return encoding_of(first, second)


def test_dsp_comes_with_armv7e_m() -> None:
    """The layout may name ``dsp`` for Armv7E-M or not: it is the same core; for others it is not."""
    for extensions in ((), ("fp",)):
        assert lacking("armv7e-m", extensions) == lacking("armv7e-m", (*extensions, "dsp"))
        assert "dsp" in lacking("armv8-m.main", extensions) - lacking("armv8-m.main", (*extensions, "dsp"))
        assert "dsp" in lacking("armv8.1-m.main", extensions)


def test_instructions_in_words() -> None:
    """What an instruction is reads as English."""
    assert encoding_of(0xFA80, 0xF000).in_words == "a DSP instruction"
    assert encoding_of(0xF7E0, 0x8000).in_words == "an application-profile instruction"


def test_every_halfword_has_an_encoding() -> None:
    """Any first halfword, with any second one, is something; none of every core is lacking anywhere."""
    for first in range(0x1_0000):
        found = encoding_of(first, 0xFFFF)
        assert found.in_words in (f"a {found.what}", f"an {found.what}")
        assert found.needs or not found.is_lacking(lacking("armv6-m", ()))


def test_nothing_is_lacking_where_everything_is(folder: Path) -> None:
    """A core with every extension lacks none of the instructions, those of security included."""
    sieve = Sieve(lacking(*EVERYTHING))
    assert [text for text, code in _encodings(folder).items() if sieve.of(code)] == []


@pytest.mark.parametrize("architecture", ARCHITECTURES)
def test_security_instructions_need_the_extension(folder: Path, architecture: str) -> None:
    """SG, BXNS and the like are lacking on every core without the extension (from memory)."""
    texts = [each for each in SECURITY.split("|") if not each.startswith("vl")]
    without = Sieve(lacking(architecture, ()))
    assert [text for text in texts if not without.of(_encodings(folder)[text])] == []
    if "security" in EXTENSIONS_OF[architecture]:
        having = Sieve(lacking(architecture, ("security",)))
        assert [text for text in texts if having.of(_encodings(folder)[text])] == []


def test_every_capability_has_words() -> None:
    """What a core lacks can be said of each capability."""
    assert lacking("armv6-m", ()) == set(IN_WORDS)
