"""What a core's registers keep of what is written, and what they read of the core itself.

Armv6-M, Armv7-M and Armv8-M architecture reference manuals (DDI 0419, DDI 0403, DDI 0553), "Register index" (from
memory).  What they leave to the implementation is as in common cores: no caches but in Armv7E-M and Armv8.1-M, no
comparators of debug units, no coprocessors but the float unit.  Identification: "The CPUID scheme" there.
"""

from __future__ import annotations

from gemel.rehearsal.plan import CorePlan
from gemel.structs import NamedTuple

WORD = 0xFFFF_FFFF
NON_SECURE = 0x2_0000
"""What Secure code adds to the address of a register of the System Control Space for the Non-secure one."""
_BANKED = range(0xE000_E010, 0xE000_F000)
"""Registers that are held for Non-secure state too."""
COMPARATORS = (range(0xE000_1020, 0xE000_1FB0), range(0xE000_2008, 0xE000_2FB0))
"""Those of the trace unit (DWT) and of the breakpoint unit (FPB)."""
_SECURE_ALONE = {
    0xE000_E018: WORD,
    0xE000_ED04: WORD,
    0xE000_ED0C: 0xF8FF,
    0xE000_ED14: 0x100,
    0xE000_ED18: 0xFF00,
    0xE000_ED24: 0x22_4006,
    0xE000_EF34: 0x50,
}
"""Bits of SYST_CVR and ICSR, and of AIRCR, CCR, SHPR1, SHCSR and FPCCR, that Non-secure state has not.

Its tick timer does not count and none of its exceptions comes; BusFault and HardFault are Secure.
"""


class _Bits(NamedTuple):
    """Bits of the register at ``address`` by architecture, where the core has all that it ``needs``."""

    address: int
    armv6: int
    armv7: int
    base: int
    main: int
    needs: tuple[str, ...] = ()


_FLOAT, _SECURITY, _CACHE = ("float",), ("security",), ("cache",)
_REGISTERS = (
    _Bits(0xE000_0E00, 0, WORD, 0, WORD),  # ITM_TER
    _Bits(0xE000_0E40, 0, 0xF, 0, 0xF),  # ITM_TPR
    _Bits(0xE000_0E80, 0, 0x7F_0F1F, 0, 0x7F_0F3F),  # ITM_TCR
    _Bits(0xE000_1000, 0, 0x7F_1FFF, 0, 0x7F_1FFF),  # DWT_CTRL
    _Bits(0xE000_1000, 0, 0, 0, 0x80_0000, _SECURITY),
    _Bits(0xE000_1004, 0, WORD, 0, WORD),  # DWT_CYCCNT
    _Bits(0xE000_E008, 0, 0x7, 0, 0x2000_1005),  # ACTLR
    _Bits(0xE000_E008, 0, 0x300, 0, 0x600, _FLOAT),
    _Bits(0xE000_E010, 7, 7, 7, 7),  # SYST_CSR
    _Bits(0xE000_E014, 0xFF_FFFF, 0xFF_FFFF, 0xFF_FFFF, 0xFF_FFFF),  # SYST_RVR
    _Bits(0xE000_E018, WORD, WORD, WORD, WORD),  # SYST_CVR
    _Bits(0xE000_ED04, WORD, WORD, WORD, WORD),  # ICSR
    _Bits(0xE000_ED08, 0xFFFF_FF00, 0xFFFF_FF80, 0xFFFF_FF80, 0xFFFF_FF80),  # VTOR
    _Bits(0xE000_ED0C, WORD, WORD, WORD, WORD),  # AIRCR
    _Bits(0xE000_ED10, 0x16, 0x16, 0x16, 0x16),  # SCR
    _Bits(0xE000_ED10, 0, 0, 0x8, 0x8, _SECURITY),
    _Bits(0xE000_ED14, 0, 0x31B, 0, 0x51A),  # CCR
    _Bits(0xE000_ED14, 0, 0x7_0000, 0, 0x7_0000, _CACHE),
    _Bits(0xE000_ED18, 0, 0xFF_FFFF, 0, 0xFF_FFFF),  # SHPR1
    _Bits(0xE000_ED18, 0, 0, 0, 0xFF00_0000, _SECURITY),
    _Bits(0xE000_ED1C, 0xFF00_0000, 0xFF00_0000, 0xFF00_0000, 0xFF00_0000),  # SHPR2
    _Bits(0xE000_ED20, 0xFFFF_0000, 0xFFFF_00FF, 0xFFFF_0000, 0xFFFF_00FF),  # SHPR3
    _Bits(0xE000_ED24, 0, 0x07_FD8B, 0x20_8CA4, 0x27_FDAF),  # SHCSR
    _Bits(0xE000_ED24, 0, 0, 0, 0x18_0010, _SECURITY),
    _Bits(0xE000_ED28, 0, WORD, 0, WORD),  # CFSR
    _Bits(0xE000_ED2C, 0, WORD, 0, WORD),  # HFSR
    _Bits(0xE000_ED30, 0x1F, 0x1F, 0x1F, 0x1F),  # DFSR
    _Bits(0xE000_ED34, 0, WORD, 0, WORD),  # MMFAR
    _Bits(0xE000_ED38, 0, WORD, 0, WORD),  # BFAR
    _Bits(0xE000_ED84, 0, 0xF, 0, 0xF),  # CSSELR
    _Bits(0xE000_ED88, 0, 0xF0_0000, 0, 0xF0_0000, _FLOAT),  # CPACR
    _Bits(0xE000_ED8C, 0, 0, 0, 0xC00, ("float", "security")),  # NSACR
    _Bits(0xE000_EDC0, 0, 0, WORD, WORD, ("mpu",)),  # MPU_MAIR0
    _Bits(0xE000_EDC4, 0, 0, WORD, WORD, ("mpu",)),  # MPU_MAIR1
    _Bits(0xE000_EDD0, 0, 0, 0x3, 0x3, _SECURITY),  # SAU_CTRL
    _Bits(0xE000_EDD8, 0, 0, 0xFF, 0xFF, _SECURITY),  # SAU_RNR
    _Bits(0xE000_EDDC, 0, 0, 0xFFFF_FFE0, 0xFFFF_FFE0, _SECURITY),  # SAU_RBAR
    _Bits(0xE000_EDE0, 0, 0, 0xFFFF_FFE3, 0xFFFF_FFE3, _SECURITY),  # SAU_RLAR
    _Bits(0xE000_EDE4, 0, 0, 0, 0xFF, _SECURITY),  # SFSR
    _Bits(0xE000_EDE8, 0, 0, 0, WORD, _SECURITY),  # SFAR
    _Bits(0xE000_EDF8, 0, WORD, WORD, WORD),  # DCRDR
    _Bits(0xE000_EDFC, 0, 0x10F_07F1, 0x100_0401, 0x10F_07F1),  # DEMCR
    _Bits(0xE000_EDFC, 0, 0, 0, 0x800, _SECURITY),
    _Bits(0xE000_EE04, 0, 0, 0xF, 0xF, _SECURITY),  # DAUTHCTRL
    _Bits(0xE000_EF00, 0, 0x1FF, 0, 0x1FF),  # STIR
    _Bits(0xE000_EF34, 0, 0xC000_017B, 0, 0xD000_077B, _FLOAT),  # FPCCR
    _Bits(0xE000_EF34, 0, 0, 0, 0x2C00_0084, ("float", "security")),
    _Bits(0xE000_EF38, 0, 0xFFFF_FFF8, 0, 0xFFFF_FFF8, _FLOAT),  # FPCAR
    _Bits(0xE000_EF3C, 0, 0x7C0_0000, 0, 0x7C0_0000, _FLOAT),  # FPDSCR
)

NOT_MODELLED = {
    0xE000_0E80: ((0x1, "the trace unit was switched on (ITM_TCR); what is sent to it is dropped"),),
    0xE000_ED10: ((0x4, "deep sleep was set (SCR.SLEEPDEEP); every clock goes on in it"),),
    0xE000_ED14: (
        (0x3_0000, "a cache was switched on (CCR); all memory is coherent all the same"),
        (0x400, "stack limits are held at negative priority too, whatever CCR.STKOFHFNMIGN says"),
    ),
    0xE000_EDD0: ((0x1, "the security attribution unit was switched on; everything stays Secure"),),
    0xE000_EDFC: ((0xF_0000, "the debug monitor was set up (DEMCR); it is never taken"),),
    0xE000_EF34: (
        (0x1C00_0000, "float registers were set to be cleared or treated as Secure (FPCCR); none is"),
    ),
    0xE002_E010: ((0x1, "the Non-secure tick timer was started (SYST_CSR_NS); it does not count"),),
}
"""What a rehearsal does not do where bits of a register are set."""

COMPARATOR_SET = "a comparator of the debug units was set; it never matches"


def writable_bits(plan: CorePlan) -> dict[int, int]:
    """The bits that keep what is written, by address; the Non-secure registers that Secure code sees included."""
    has = {"mpu"} & set(plan.extensions)
    has |= {"float"} if plan.has_float else set()
    has |= {"cache"} if plan.architecture in ("armv7e-m", "armv8.1-m.main") else set()
    if not plan.secure:
        return _bits_of(plan.architecture, has)
    non_secure = _bits_of(plan.architecture, has)
    seen = {
        each + NON_SECURE: bits & ~_SECURE_ALONE.get(each, 0)
        for each, bits in non_secure.items()
        if each in _BANKED
    }
    return _bits_of(plan.architecture, {*has, "security"}) | seen


def _bits_of(architecture: str, has: set[str]) -> dict[int, int]:
    found: dict[int, int] = {}
    for row in _REGISTERS:
        bits = row.main
        if architecture == "armv6-m":
            bits = row.armv6
        elif architecture.startswith("armv7"):
            bits = row.armv7
        elif architecture == "armv8-m.base":
            bits = row.base
        if has.issuperset(row.needs):
            found[row.address] = found.get(row.address, 0) | bits
    return found


FEATURES, CACHE_TYPE, FLOAT_FEATURES = 0xE000_ED40, 0xE000_ED7C, 0xE000_EF40

# The identification of a common core of each architecture, as its technical reference manual gives it (from
# memory); a device may differ.
CPU_IDS = {
    "armv6-m": 0x410C_C601,
    "armv7-m": 0x412F_C231,
    "armv7e-m": 0x410F_C241,
    "armv8-m.base": 0x411C_D200,
    "armv8-m.main": 0x410F_D213,
    "armv8.1-m.main": 0x411F_D221,
}
_FEATURES = {
    "armv7-m": ("30 200 100000 0 30 0 0 0 1141110 2111000 21112231 1111110 1310102", ""),
    "armv7e-m": ("30 200 100000 0 30 0 0 0 1141110 2112000 21232231 1111131 1310102", "10110021 11000011 0"),
    "armv8-m.main": (
        "30 200 200000 0 101F40 0 1000000 0 1101110 2212000 20232232 1111131 1310132",
        "10110021 11000011 40",
    ),
}
"""What a core says of itself, in hexadecimal: PFR0, PFR1, DFR0, AFR0, MMFR0 to 3, ISAR0 to 4; MVFR0 to 2."""
_PERIPHERAL = {
    0xE000_EFE4: 0xB0,
    0xE000_EFE8: 0x1B,
    0xE000_EFF0: 0x0D,
    0xE000_EFF4: 0xE0,
    0xE000_EFF8: 0x05,
    0xE000_EFFC: 0xB1,
}
"""What the System Control Space of these cores says of itself in PIDR1, PIDR2 and CIDR0 to 3."""
_WITHOUT_DSP = {9: 0x221_1000, 10: 0x2011_2232, 11: 0x111_1110}
"""The words among these that an Armv8-M core without the DSP extension has instead, by their place."""


def features_of(plan: CorePlan) -> dict[int, int]:
    """The registers that say what a core has; none where they are not known."""
    words, of_float = (
        [int(each, 16) for each in row.split()] for row in _FEATURES.get(plan.architecture, ("", ""))
    )
    found = {FEATURES + 4 * place: word for place, word in enumerate(words)} | (_PERIPHERAL if words else {})
    if plan.architecture == "armv8-m.main":
        found[FEATURES + 4] |= 0x10 if plan.secure else 0
        found[CACHE_TYPE] = 0x8000_C000
        if "dsp" in plan.lacks:
            found.update({FEATURES + 4 * place: word for place, word in _WITHOUT_DSP.items()})
    if plan.has_float:
        found.update({FLOAT_FEATURES + 4 * place: word for place, word in enumerate(of_float)})
    return found
