"""Registers of the system space at reset and as written, printed as text."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Scenario

PLAIN_READS = {
    "cpuid": ('show("CPUID", CPUID);', "board"),
    "vtor": ('show("VTOR", VTOR);', ""),
    "ccr": ('show("CCR", CCR);', ""),
    "aircr": ('show("AIRCR", AIRCR & ~0x2000u);', ""),
    "scr": ('show("SCR", SCR);', ""),
    "shcsr": ('show("SHCSR", SHCSR);', ""),
    "faults": ('show("CFSR", CFSR);\n    show("HFSR", HFSR);', ""),
    "icsr": ('show("ICSR", ICSR & 0xF7FFFFFF);', ""),
    "systick": ('show("CSR", SYST_CSR);\n    SYST_RVR = 0x12345678;\n    show("RVR", SYST_RVR);', ""),
    "nvic": (
        'show("ISER", NVIC_ISER(0));\n    show("ISPR", NVIC_ISPR(1));\n    show("IABR", NVIC_IABR(1));\n'
        '    show("IPR", NVIC_IPR(60));',
        "",
    ),
    "shpr": ('show("SHPR", SHPR(14) | SHPR(15) << 8 | SHPR(11) << 16);', ""),
    "masks": (
        'show("primask", MRS("primask"));\n    show("basepri", MRS("basepri"));\n'
        '    show("faultmask", MRS("faultmask"));\n    show("control", MRS("control"));\n'
        '    show("msplim", MRS("msplim"));\n    show("psplim", MRS("psplim"));',
        "",
    ),
    "xpsr": ('show("ipsr", MRS("ipsr"));\n    show("epsr", MRS("epsr"));', ""),
    "mpu": ('show("MPU_CTRL", MPU_CTRL);\n    show("regions", MPU_TYPE >> 8 & 0xFF);', ""),
    "cpacr": ('show("CPACR", CPACR);', ""),
    "stack": (
        'extern uint32_t stack_top;\n    show("distance", (uint32_t)(MRS("msp") < (uint32_t)&stack_top));',
        "",
    ),
}
WRITES = {
    "iser": (
        "NVIC_ISER(1) = 0x90000001;\n    NVIC_ICER(1) = 0x10000000;",
        'show("ISER", NVIC_ISER(1));\n    show("ICER", NVIC_ICER(1));',
    ),
    "ispr": (
        "NVIC_ISPR(1) = 0xF0000000;\n    NVIC_ICPR(1) = 0x50000000;",
        'show("ISPR", NVIC_ISPR(1));\n    show("ICPR", NVIC_ICPR(1));\n    NVIC_ICPR(1) = 0xFFFFFFFF;',
    ),
    "ipr-word": (
        "REG(0xE000E400 + 60) = 0xE0C08040;",
        'show("byte", NVIC_IPR(61));\n    show("word", REG(0xE000E400 + 60));',
    ),
    "ipr-byte": ("NVIC_IPR(62) = 0xA0;", 'show("word", REG(0xE000E43C));'),
    "shcsr": ("SHCSR = 0x00070000;", 'show("SHCSR", SHCSR);\n    SHCSR = 0;\n    show("SHCSR", SHCSR);'),
    "shpr": (
        "REG(0xE000ED20) = 0x40E00000;",
        'show("SHPR3", REG(0xE000ED20));\n    show("pendsv", SHPR(14));',
    ),
    "ccr": (
        "CCR |= CCR_DIV_ZERO_TRAP | CCR_UNALIGN_TRAP;",
        'show("CCR", CCR);\n    CCR &= ~(CCR_DIV_ZERO_TRAP | CCR_UNALIGN_TRAP);\n    show("CCR", CCR);',
    ),
    "aircr-no-key": ("AIRCR = 0x00000300;", 'show("AIRCR", AIRCR >> 8 & 7);'),
    "aircr-key": ("AIRCR = 0x05FA0300;", 'show("AIRCR", AIRCR >> 8 & 7);\n    show("key", AIRCR >> 16);'),
    "scr": ("SCR = 0x10;", 'show("SCR", SCR);\n    SCR = 0;\n    show("SCR", SCR);'),
    "vtor": (
        "VTOR = OWN_CODE + 0x400;",
        'show("VTOR", VTOR);\n    VTOR = OWN_CODE + 0x47;\n    show("VTOR", VTOR);\n    VTOR = OWN_CODE;',
    ),
    "basepri": (
        'MSR("basepri", 0x60);',
        'show("basepri", MRS("basepri"));\n    MSR("basepri_max", 0xA0);\n    show("basepri", MRS("basepri"));\n'
        '    MSR("basepri_max", 0x20);\n    show("basepri", MRS("basepri"));\n    MSR("basepri", 0);',
    ),
    "systick": (
        "SYST_RVR = 999;\n    SYST_CVR = 5;\n    SYST_CSR = 0xFFFF;",
        'show("CSR", SYST_CSR & 7);\n    SYST_CSR = 0;\n    show("RVR", SYST_RVR);\n    SYST_CVR = 1;\n'
        '    show("CVR", SYST_CVR);\n    ICSR = ICSR_SYSTICK_CLEAR;',
    ),
    "stack-pointers": (
        'MSR("psp", OWN_RAM + 0x107);\n    MSR("psplim", OWN_RAM + 0x105);',
        'show("psp", MRS("psp") - OWN_RAM);\n    show("psplim", MRS("psplim") - OWN_RAM);\n    MSR("psplim", 0);',
    ),
    "mpu-region": (
        "MPU_RNR = 3;\n    MPU_RBAR = OWN_RAM | 3;\n    MPU_RLAR = (OWN_RAM + 0xFE0) | 1;\n    MPU_MAIR0 = 0x44FF0004;",
        'MPU_RNR = 2;\n    show("RBAR", MPU_RBAR);\n    MPU_RNR = 3;\n    show("RBAR", MPU_RBAR - OWN_RAM);\n'
        '    show("RLAR", MPU_RLAR - OWN_RAM);\n    show("MAIR", MPU_MAIR0);\n    MPU_RLAR = 0;',
    ),
    "icsr": (
        "CPSID();\n    ICSR = ICSR_PENDSV_SET;\n    DSB();",
        'show("ICSR", ICSR & 0x1FFFF000);\n    ICSR = ICSR_PENDSV_CLEAR;\n    show("ICSR", ICSR & 0x1FFFF000);\n'
        "    CPSIE();",
    ),
}


def at_reset(random: Random) -> Iterator[Scenario]:
    """What each register reads before anybody has written it."""
    del random
    for name, (body, _) in PLAIN_READS.items():
        yield Scenario(f"reset-{name}", f"void scenario(void)\n{{\n    {body}\n}}\n")


def written(random: Random) -> Iterator[Scenario]:
    """What each register reads after a write."""
    del random
    for name, (write, read) in WRITES.items():
        masked = "CPSID" if "STKALIGN" in write else ""
        yield Scenario(
            f"written-{name}", f"void scenario(void)\n{{\n    {masked}{write}\n    {read}\n}}\n", times=1
        )


WRITTEN_ONES = {
    "reserved": (0xE000_E020, 0xE000_ED3C, 0xE000_ED80, 0xE000_EDBC, 0xE000_EF50),
    "read-only": (0xE000_ED00, 0xE000_ED40, 0xE000_ED7C, 0xE000_ED90, 0xE000_EF40, 0xE000_EFF0),
    "float": (0xE000_ED88, 0xE000_ED8C, 0xE000_EF34, 0xE000_EF38, 0xE000_EF3C),
    "attribution": (0xE000_EDD4, 0xE000_EDD8, 0xE000_EDDC, 0xE000_E380, 0xE000_E384),
    "priorities": (0xE000_ED18, 0xE000_ED1C, 0xE000_ED20),
    "others": (0xE000_ED08, 0xE000_ED34, 0xE000_ED84, 0xE000_ED98, 0xE000_EDC0, 0xE000_E014),
    "non-secure": (0xE002_ED00, 0xE002_ED08, 0xE002_ED18, 0xE002_ED8C, 0xE002_ED94, 0xE002_EDD0, 0xE002_EF34),
}


def ones_and_zeros(random: Random) -> Iterator[Scenario]:
    """What each register keeps of ones, and of zeros after them."""
    del random
    for name, addresses in WRITTEN_ONES.items():
        lines = "".join(
            f'    REG({address:#x}) = 0xFFFFFFFF;\n    DSB();\n    show("ones", REG({address:#x}));\n'
            f'    REG({address:#x}) = 0;\n    DSB();\n    show("zeros", REG({address:#x}));\n'
            for address in addresses
        )
        yield Scenario(f"ones-{name}", f"void scenario(void)\n{{\n    CPSID();\n{lines}}}\n")


def moved_vectors(random: Random) -> Iterator[Scenario]:
    """A vector table copied to RAM, with a handler replaced there."""
    code = f"""extern const uint32_t vector_table[112];
static uint32_t table[128] __attribute__((aligned(512)));
static void other_handler(void) {{ mark('o'); }}
void irq60_handler(void) {{ mark('f'); }}
void scenario(void)
{{
    enable_irq(60, 0x40);
    for (uint32_t i = 0; i < 112; i++) {{
        table[i] = vector_table[i];
    }}
    table[76] = (uint32_t)other_handler;
    for (uint32_t i = 0; i < {random.randint(2, 5)}; i++) {{
        VTOR = i & 1 ? (uint32_t)table : (uint32_t)vector_table;
        DSB();
        pend_irq(60);
        DSB();
        ISB();
    }}
    VTOR = (uint32_t)vector_table;
    show_trace();
}}
"""
    yield Scenario("vectors-in-ram", code)
    missing = (
        code.replace("        table[i] = vector_table[i];\n", "        table[i] = 0;\n")
        .replace("    table[76] = (uint32_t)other_handler;\n", "")
        .replace("static void other_handler(void) { mark('o'); }\n", "")
    )
    from ..cases import LOCK_UP

    yield Scenario("vectors-in-ram-empty", missing, fails=True, ends=LOCK_UP)


FAMILIES = (at_reset, written, ones_and_zeros, moved_vectors)
