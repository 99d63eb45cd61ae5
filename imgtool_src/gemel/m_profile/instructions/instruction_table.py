"""Which capability each Thumb instruction needs: a decision list over encodings, the first match decides.

A 32-bit instruction is written as its first halfword times 65,536 plus its second.  Source: the Armv7-M
and Armv8-M architecture reference manuals, instruction encodings (from memory); tests hold the table to
what the GNU assembler takes for each architecture and extension.
"""

from __future__ import annotations

from collections.abc import Set
from functools import cache

from gemel.m_profile.capabilities import Capability
from gemel.m_profile.instructions.halfwords import is_wide
from gemel.structs import NamedTuple


class Encoding(NamedTuple):
    """Instructions whose bits under ``mask`` equal ``value``; they need one of ``needs`` (none: nothing)."""

    what: str
    needs: tuple[Capability, ...]
    value: int
    mask: int

    @property
    def in_words(self) -> str:
        """``a DSP instruction``, ``an Armv8.1-M instruction``."""
        return f"an {self.what}" if self.what[0] in "AEIOUaeiou" else f"a {self.what}"

    def is_lacking(self, lacking: Set[Capability]) -> bool:
        """Whether a core that lacks ``lacking`` has no such instruction."""
        return bool(self.needs) and lacking >= set(self.needs)


def encoding_of(first: int, second: int = 0) -> Encoding:
    """What an instruction is, by its halfwords; ``second`` counts for 32-bit instructions alone."""
    if not is_wide(first):
        return _narrow(first)
    word = first << 16 | second
    return next(each for each in possible(first) if word & each.mask == each.value)


@cache
def _narrow(halfword: int) -> Encoding:
    return next((each for each in NARROW if halfword & each.mask == each.value), OTHER_NARROW)


@cache
def possible(first: int) -> tuple[Encoding, ...]:
    """The entries that a 32-bit instruction with this first halfword can be."""
    return (*(each for each in WIDE if (first << 16 ^ each.value) & each.mask >> 16 << 16 == 0), OTHER_WIDE)


def _family(what: str, needs: tuple[Capability, ...], *pairs: tuple[int, int]) -> tuple[Encoding, ...]:
    return tuple(Encoding(what, needs, value, mask) for value, mask in pairs)


FLOAT = "floating-point instruction"
DOUBLE = "double-precision floating-point instruction"
HALF = "half-precision floating-point instruction"
VECTOR = "vector instruction"
VECTOR_FLOAT = "floating-point vector instruction"
DSP = "DSP instruction"
SECURITY = "security instruction"
MAINLINE = "Armv7-M or Armv8-M Mainline instruction"
LOOP = "Armv8.1-M instruction"

WIDE: tuple[Encoding, ...] = (
    *_family(
        "instruction of every core",
        (),
        (0xF000_D000, 0xF800_D000),  # BL
        (0xF7F0_A000, 0xFFF0_F000),  # UDF
        (0xF380_8800, 0xFFF0_FF00),  # MSR
        (0xF3EF_8000, 0xFFFF_F000),  # MRS
        (0xF3BF_8F40, 0xFFFF_FFF0),  # DSB
        (0xF3BF_8F50, 0xFFFF_FFF0),  # DMB
        (0xF3BF_8F60, 0xFFFF_FFF0),  # ISB
    ),
    *_family(
        SECURITY,
        ("security",),
        (0xE97F_E97F, 0xFFFF_FFFF),  # SG
        (0xE840_F080, 0xFFF0_F0BF),  # TTA, TTAT
        (0xEC20_0A00, 0xFFE0_FF7F),  # VLSTM, VLLDM
        (0xEC9F_0A00, 0xFFBF_0E00),  # VSCCLRM
    ),
    *_family("target-test instruction", ("acquire",), (0xE840_F000, 0xFFF0_F0BF)),  # TT, TTT
    *_family(
        "exclusive-access instruction",
        ("exclusive",),
        (0xE850_0F00, 0xFFF0_0F00),  # LDREX
        (0xE840_0000, 0xFFF0_0000),  # STREX
        (0xE8D0_0F4F, 0xFFF0_0FEF),  # LDREXB, LDREXH
        (0xE8C0_0F40, 0xFFF0_0FE0),  # STREXB, STREXH
        (0xF3BF_8F2F, 0xFFFF_FFFF),  # CLREX
    ),
    *_family(
        "application-profile instruction",
        ("nobody",),
        (0xE8D0_007F, 0xFFF0_00FF),  # LDREXD
        (0xE8C0_0070, 0xFFF0_00F0),  # STREXD
        (0xF7E0_8000, 0xFFE0_F000),  # HVC, SMC
        (0xF3DE_8F00, 0xFFFF_FF00),  # ERET, SUBS PC, LR
        (0xF900_0000, 0xFF10_0000),  # element and structure loads and stores of Advanced SIMD
        (0xFAC0_F080, 0xFFE0_F0C0),  # CRC32
        (0xEF00_0000, 0xEF00_0040),  # data processing of Advanced SIMD over registers of 64 bits,
        (0xEF40_0000, 0xEF40_0000),  # over those from D16 on,
        (0xEF00_1000, 0xEF00_1000),  # and over odd ones
    ),
    *_family("load-acquire or store-release instruction", ("acquire",), (0xE8C0_0F80, 0xFFE0_0F80)),
    *_family("divide instruction", ("divide",), (0xFB90_F0F0, 0xFFD0_F0F0)),
    *_family(
        "Armv8-M Baseline instruction",
        ("baseline",),
        (0xF240_0000, 0xFB70_8000),  # MOVW, MOVT
        (0xF000_9000, 0xF800_D000),  # B.W
    ),
    *_family(LOOP, ("v8.1",), (0xF00F_C001, 0xFFDF_F001)),  # LE
    *_family(
        VECTOR,
        ("mve",),
        (0xF000_E801, 0xFFC0_F80F),  # VCTP
        (0xF000_C001, 0xFFC0_F001),  # WLSTP
        (0xF000_E001, 0xFFC0_FFFF),  # DLSTP
        (0xF01F_C001, 0xFFFF_F001),  # LETP
        (0xF00F_E001, 0xFFFF_FFFF),  # LCTP
        (0xEA50_000D, 0xFFF0_000F),  # shifts of 64 bits and saturating shifts, by a register
        (0xEA50_000F, 0xFFF0_800F),  # by a constant
    ),
    *_family(
        LOOP,
        ("v8.1",),
        (0xF000_C000, 0xF800_D000),  # loops and branches in advance
        (0xEA50_8000, 0xFFF0_8000),  # CSEL and the like
        (0xE89F_0000, 0xFFFF_2000),  # CLRM
        (0xFB50_0F00, 0xFFF0_0FE0),  # AUTG, BXAUT
        (0xFB60_F000, 0xFFF0_F0F0),  # PACG
    ),
    *_family(
        DSP,
        ("dsp",),
        (0xEAC0_0000, 0xFFF0_0010),  # PKHBT, PKHTB
        (0xFA2F_F080, 0xFFEF_F080),  # SXTB16, UXTB16
    ),
    *_family(MAINLINE, ("thumb2",), (0xFA0F_F080, 0xFF8F_F080)),
    *_family(
        DSP,
        ("dsp",),
        (0xFA00_F080, 0xFF80_F080),  # SXTAB, SXTAH, UXTAB, UXTAH, SXTAB16, UXTAB16
        (0xFA80_F000, 0xFF80_F080),  # parallel addition and subtraction
        (0xFA80_F080, 0xFFF0_F0C0),  # QADD, QDADD, QSUB, QDSUB
        (0xFAA0_F080, 0xFFF0_F0F0),  # SEL
        (0xFB10_0000, 0xFFF0_00C0),  # SMLAxy, SMULxy
        (0xFB20_0000, 0xFFE0_00C0),  # SMLAD, SMUAD, SMLAWy, SMULWy
        (0xFB40_0000, 0xFFC0_00C0),  # SMLSD, SMUSD, SMMLA, SMMUL, SMMLS, USAD8, USADA8
        (0xFBC0_0080, 0xFFF0_0080),  # SMLALxy, SMLALD
        (0xFBD0_00C0, 0xFFF0_00E0),  # SMLSLD
        (0xFBE0_0060, 0xFFF0_00F0),  # UMAAL
        (0xF320_0000, 0xFF70_F0C0),  # SSAT16, USAT16
        (0xF380_8400, 0xFFF0_F700),  # MSR to the GE bits
        (0xF380_8C00, 0xFFF0_F700),
    ),
    *_family(
        VECTOR,
        ("mve",),
        (0xEF80_0050, 0xEFB8_00D0),  # VMOV, VMVN, VORR and VBIC of an immediate
        (0xEE31_1E60, 0xEFB1_1F70),  # VSHL and the like by a register
        (0xFE31_0F01, 0xFFB1_1F91),  # VPSEL
    ),
    *_family(
        VECTOR_FLOAT,
        ("mve-fp",),
        (0xEF00_0D40, 0xEF00_0F40),  # VADD, VSUB, VABD, VMUL, VCVT with fixed point
        (0xEF00_0C50, 0xEF00_0F50),  # VFMA, VFMS
        (0xEF80_0C50, 0xEF80_0C50),  # VCVT with fixed point
        (0xFF00_0F50, 0xFF80_0F50),  # VMAXNM, VMINNM
        (0xFFB1_0740, 0xFFB3_0F50),  # VABS, VNEG
        (0xFFB2_0440, 0xFFB3_0C50),  # VRINT
        (0xFFB3_0040, 0xFFB3_0850),  # VCVT
        (0xEE30_0F40, 0xEFB1_0F70),  # VADD, VSUB of a scalar
        (0xEE31_0E40, 0xEFB1_0F50),  # VMUL, VFMA, VFMAS of a scalar
        (0xEE31_0F00, 0xEFB1_0F10),  # VCMP, VPT
        (0xEE30_0E00, 0xEFB1_0F50),  # VCMUL
        (0xEE3F_0E01, 0xEFBF_0F51),  # VCVTB, VCVTT, VMAXNMA, VMINNMA
        (0xEEEC_0F00, 0xEFFD_0F50),  # VMAXNMV, VMINNMV, VMAXNMAV, VMINNMAV
        (0xFC00_0800, 0xFE00_0F00),  # VCMLA, VCADD
    ),
    *_family(
        SECURITY,
        ("security",),
        (0xEC40_CF80, 0xFE40_DF80),  # VLDR, VSTR of the floating-point context
        (0xEEEE_0A10, 0xFFEE_0F10),  # VMSR, VMRS of it
    ),
    *_family(
        VECTOR,
        ("mve",),
        (0xEC40_8F80, 0xFE40_DF80),  # VLDR, VSTR of VPR and P0
        (0xEEEC_0A10, 0xFFEE_0F10),  # VMSR, VMRS of them
        (0xEE80_0B10, 0xFF90_0F10),  # VDUP
        (0xEE40_0B10, 0xFF40_0F10),  # VMOV of a byte
        (0xEE00_0B30, 0xFF40_0F30),  # VMOV of a halfword
    ),
    *_family(FLOAT, ("fp16", "mve"), (0xEC00_0F80, 0xFE40_9F80)),  # VLDR, VSTR of FPSCR
    *_family(VECTOR, ("mve",), (0xEF00_0000, 0xEF00_0000), (0xEC00_0E00, 0xEC00_0E00)),
    *_family(FLOAT, ("fp", "mve"), (0xEEB0_0A40, 0xFFBF_0FD0)),  # VMOV
    *_family(
        DOUBLE,
        ("fp-double", "mve"),
        (0xEEB0_0B40, 0xFFBF_0FD0),  # VMOV
    ),
    *_family(
        DOUBLE,
        ("fp-double",),
        (0xEE00_0B00, 0xEF00_0F10),
        (0xEEB7_0AC0, 0xFFBF_0FD0),  # VCVT from single precision
    ),
    *_family(
        HALF,
        ("fp16", "mve"),
        (0xED00_0900, 0xFF20_0F00),  # VLDR, VSTR
        (0xEE00_0910, 0xFF00_0F10),  # VMOV
        (0xFEB0_0A40, 0xFFBF_0F50),  # VINS, VMOVX
    ),
    *_family(HALF, ("fp16",), (0xEE00_0900, 0xEF00_0F00)),
    *_family(
        FLOAT,
        ("fp", "mve"),
        (0xEC00_0A00, 0xFE00_0E00),  # loads, stores, VMOV of two registers
        (0xEE00_0A10, 0xFF00_0E10),  # VMOV, VMSR, VMRS
    ),
    *_family(FLOAT, ("fp",), (0xEE00_0A00, 0xEF00_0E00)),
    *_family("coprocessor instruction", ("coprocessor",), (0xEC00_0000, 0xEC00_0000)),
)
"""32-bit instructions; what no entry matches needs ``thumb2``."""

OTHER_WIDE = Encoding(MAINLINE, ("thumb2",), 0, 0)

NARROW: tuple[Encoding, ...] = (
    *_family(SECURITY, ("security",), (0x4704, 0xFF07)),  # BXNS, BLXNS
    *_family("compare-and-branch instruction", ("baseline",), (0xB100, 0xF500)),  # CBZ, CBNZ
    *_family(
        MAINLINE,
        ("thumb2",),
        *((0xBF00 | bit, 0xFF00 | bit) for bit in (1, 2, 4, 8)),  # IT
    ),
    *_family("application-profile instruction", ("nobody",), (0xB650, 0xFFF7)),  # SETEND
)
"""16-bit instructions; what no entry matches every core has."""

OTHER_NARROW = Encoding("instruction of every core", (), 0, 0)
