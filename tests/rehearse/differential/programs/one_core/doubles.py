"""Double precision: each operation on values of every kind, in each rounding mode, with the flags that it leaves.

Sections are those of the Armv7-M Architecture Reference Manual (DDI 0403), chapter A7, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ...cases import V7D, Scenario

VALUES = (
    *("0x0000000000000000", "0x8000000000000000", "0x3FF0000000000000", "0xBFF8000000000000"),
    *("0x7FF0000000000000", "0xFFF0000000000000", "0x7FF8000000000001", "0x7FF0000000000001"),
    *("0x0000000000000001", "0x800FFFFFFFFFFFFF", "0x0010000000000000", "0x7FEFFFFFFFFFFFFF"),
    *("0x41DFFFFFFFC00000", "0xC1E0000000200000", "0x41EFFFFFFFE00000", "0x4340000000000001"),
    *("0x36A0000000000000", "0x380FFFFFE0000000", "0x47EFFFFFE0000000", "0x47EFFFFFF0000000"),
)
"""Zeros, ones, infinities, NaNs, subnormal and greatest numbers, and those at the limits of integers and singles."""

RANDOM_VALUES = 12
MODES = ("0", "1u << 22", "2u << 22", "3u << 22", "1u << 24", "1u << 25", "3u << 24 | 1u << 22")
"""FPSCR: each rounding mode, flush to zero, default NaN, and some of them together."""

OPERATIONS = {
    **{name: f"v{name}.f64 d2, d0, d1" for name in ("add", "sub", "mul", "div", "nmul", "maxnm", "minnm")},
    **{
        name: f"v{name}.f64 d2, d0, d1"
        for name in ("mla", "mls", "nmla", "nmls", "fma", "fms", "fnma", "fnms")
    },
    **{name: f"v{name}.f64 d2, d0" for name in ("abs", "neg", "sqrt")},
    **{f"rint{how}": f"vrint{how}.f64 d2, d0" for how in "azrxnpm"},
    **{
        f"sel{how}": f"vcmp.f64 d0, d1\\n vmrs APSR_nzcv, fpscr\\n vsel{how}.f64 d2, d0, d1"
        for how in ("ge", "gt", "eq", "vs")
    },
    "cmp": "vcmp.f64 d0, d1",
    "cmpe": "vcmpe.f64 d0, d1",
    "cmp-zero": "vcmp.f64 d0, #0",
    **{
        f"to-{to}{how or 'z'}": f"vcvt{how}.{to}.f64 s4, d0"
        for to in ("s32", "u32")
        for how in ("", "r", "a", "n", "p", "m")
    },
    "to-single": "vcvt.f32.f64 s4, d0",
    "from-single": "vcvt.f64.f32 d2, s1",
    **{f"from-{of}": f"vcvt.f64.{of} d2, s0" for of in ("s32", "u32")},
    **{f"fixed-{to}": f"vmov.f64 d2, d0\\n vcvt.{to}.f64 d2, d2, #5" for to in ("s16", "u16", "s32", "u32")},
    **{
        f"from-fixed-{of}": f"vmov.f64 d2, d0\\n vcvt.f64.{of} d2, d2, #7"
        for of in ("s16", "u16", "s32", "u32")
    },
    **{f"half-{way}": f"vcvt{way}.f16.f64 s4, d0\\n vcvt{way}.f64.f16 d2, s4" for way in "bt"},
    "constant": "vmov.f64 d2, #-1.9375",
    "transfer": "vmov r0, r1, d0\\n vmov d2, r1, r0",
}
"""What each program executes, from D0 and D1 to D2."""

PROGRAM = """static const uint64_t values[] = {{ {values} }};
static const uint32_t modes[] = {{ {modes} }};
static volatile uint64_t one, other, made;
USED static void compute(void)
{{
    uint32_t count = sizeof values / sizeof *values, flags;

    for (uint32_t mode = 0; mode < sizeof modes / sizeof *modes; mode++) {{
        uint32_t digest = 1, seen = 0;

        for (uint32_t pair = 0; pair < count * count; pair++) {{
            one = values[pair / count];
            other = values[pair % count];
            made = 0x123456789ABCDEF0;
            __asm volatile("vmsr fpscr, %1\\n vldr d0, [%2]\\n vldr d1, [%3]\\n vldr d2, [%4]\\n {code}\\n"
                "vstr d2, [%4]\\n vmrs %0, fpscr\\n"
                : "=&r"(flags) : "r"(modes[mode]), "r"(&one), "r"(&other), "r"(&made) : "r0", "r1", "cc", "memory");
            digest = (digest ^ (uint32_t)made) * 16777619u;
            digest = (digest ^ (uint32_t)(made >> 32)) * 16777619u;
            digest = (digest ^ flags) * 16777619u;
            seen |= flags;
        }}
        show("digest", digest);
        show("flags", seen);
    }}
}}
void scenario(void)
{{
    CPACR |= 0xFu << 20;
    DSB();
    ISB();
    compute();
}}
"""


def doubles(random: Random) -> Iterator[Scenario]:
    """One program an operation; all of them take the same values."""
    drawn = (f"0x{random.getrandbits(64):016X}" for _ in range(RANDOM_VALUES))
    values = ", ".join((*VALUES, *drawn))
    for name, code in OPERATIONS.items():
        program = PROGRAM.format(values=values, modes=", ".join(MODES), code=code)
        yield Scenario(f"double-{name}", program, options=V7D.hard)
