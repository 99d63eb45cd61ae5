"""Registers of the system space and special registers: at reset and after a write; bits of RAM as words."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ...cases import Scenario
from .helpers import LOOSE

RESET_V6 = {
    "ccr": "CCR", "aircr": "AIRCR & ~0x2000u", "scr": "SCR", "shcsr": "SHCSR", "icsr": "ICSR & 0xF7FFF7FF",
    "shpr2": "REG(0xE000ED1C)", "shpr3": "REG(0xE000ED20)", "iser": "NVIC_ISER(0)", "ispr": "NVIC_ISPR(0)",
    "ipr": "REG(0xE000E414)", "rvr": "0 * SYST_RVR", "csr": "SYST_CSR & 3", "vtor": "VTOR", "mpu": "MPU_TYPE",
    "primask": 'MRS("primask")', "control": 'MRS("control")', "ipsr": 'MRS("ipsr")', "xpsr": 'MRS("xpsr") & 0x0FFFFFFF',
    "actlr": "0", "shpr1": "REG(0xE000ED18)", "ictr": "0 * ICTR",
}  # fmt: skip
RESET_V7 = {
    "cfsr": "CFSR", "hfsr": "HFSR", "cpacr": "CPACR", "mpu-control": "MPU_CTRL", "mpu-number": "MPU_RNR",
    "mpu-type": "MPU_TYPE", "mpu-base": "REG(0xE000ED9C)", "mpu-size": "REG(0xE000EDA0)", "iabr": "NVIC_IABR(0)",
    "ictr": "ICTR", "basepri": 'MRS("basepri")', "faultmask": 'MRS("faultmask")', "stir": "STIR",
}  # fmt: skip
WRITTEN = {
    "ccr": ("CCR", "0x3FF", "CCR = {old};"),
    "scr": ("SCR", "0xFF", "SCR = 0;"),
    "shpr2": ("REG(0xE000ED1C)", "0xFFFFFFFF", ""),
    "shpr3": ("REG(0xE000ED20)", "0xFFFFFFFF", ""),
    "ipr": ("REG(0xE000E400)", "0xFFFFFFFF", ""),
    "ipr-mixed": ("REG(0xE000E408)", "0x12A5C37F", ""),
    "ipr-beyond": ("REG(0xE000E400 + INTERRUPTS)", "0xFFFFFFFF", ""),
    "iser": ("NVIC_ISER(0)", "0xFFFFFFFF", "NVIC_ICER(0) = 0xFFFFFFFF;"),
    "iser-beyond": ("NVIC_ISER(INTERRUPTS / 32)", "0xFFFFFFFF", ""),
    "ispr": ("NVIC_ISPR(0)", "0x0F0FF0F0", "NVIC_ICPR(0) = 0xFFFFFFFF;"),
    "icer": ("NVIC_ICER(0)", "0x00FF", ""),
    "rvr": ("SYST_RVR", "0xFFFFFFFF", ""),
    "aircr-no-key": ("AIRCR", "0x0000FFF8", ""),
}
WRITTEN_V7 = {
    "shpr1": ("REG(0xE000ED18)", "0xFFFFFFFF", "REG(0xE000ED18) = 0;"),
    "shcsr": ("SHCSR", "0x00070000", "SHCSR = 0;"),
    "mpu-number": ("MPU_RNR", "5", ""),
    "mpu-number-large": ("MPU_RNR", "0x85", ""),
    "mpu-base": ("REG(0xE000ED9C)", "0x20000FFF", ""),
    "mpu-base-invalid": ("REG(0xE000ED9C)", "0x20000FE3", ""),
    "mpu-size": ("REG(0xE000EDA0)", "0xFFFFFFFE", ""),
    "mpu-alias-base": ("REG(0xE000EDA4)", "0x20000032", ""),
    "mpu-alias-size": ("REG(0xE000EDB8)", "0x1234FF3E", ""),
    "vtor": ("VTOR", "0x0000437F", "VTOR = OWN_CODE;"),
    "aircr": ("AIRCR", "0x05FA0500", ""),
    "aircr-zero": ("AIRCR", "0x05FA0000", ""),
    "cfsr": ("CFSR", "0xFFFFFFFF", ""),
    "iabr": ("NVIC_IABR(0)", "0xFF", ""),
}


def registers(architecture: int) -> Iterator[Scenario]:
    """What registers of the system space read at reset and after a write."""
    reads = RESET_V6 if architecture == 6 else {**RESET_V6, **RESET_V7}
    names = sorted(reads)
    if architecture > 6:
        names.remove("mpu")
    for number in range(0, len(names), 4):
        lines = "".join(f'    show("{name}", {reads[name]});\n' for name in names[number : number + 4])
        yield Scenario(f"reset-{number // 4}", f"void scenario(void)\n{{\n{lines}}}\n", times=1)
    writes = WRITTEN if architecture == 6 else {**WRITTEN, **WRITTEN_V7}
    for name, (register, value, after) in writes.items():
        mask = "" if name != "aircr-no-key" else " & ~0x2000u"
        code = (
            f"void scenario(void)\n{{\n    CPSID();\n    uint32_t old = {register};\n    {register} = {value};\n"
            f"    DSB();\n    uint32_t now = {register}{mask};\n    {after.replace('{old}', 'old')}\n    (void)old;\n"
            f'    show("now", now);\n    show("after", {register}{mask});\n    {register} = 0;\n'
            f'    show("zero", {register}{mask});\n    {after.replace("{old}", "old")}\n'
            "    NVIC_ICPR(0) = 0xFFFFFFFF;\n    CPSIE();\n}\n"
        )
        yield Scenario(
            f"written-{name}", code, times=1, **LOOSE.get(f"{name}-{architecture}", LOOSE.get(name, {}))
        )


CORE_REGISTERS = {
    "control": 'MSR("control", 6); ISB(); show("control", MRS("control")); MSR("control", 0); ISB();',
    "psp": 'MSR("psp", 0x20000107); ISB(); show("psp", MRS("psp"));',
    "primask": 'MSR("primask", 0xFFFFFFFE); show("primask", MRS("primask")); MSR("primask", 0xFF); '
    'show("primask", MRS("primask")); CPSIE();',
    "xpsr": 'MSR("apsr", 0xF8000000); show("apsr", MRS("apsr")); MSR("apsr", 0x50000000); show("apsr", MRS("apsr"));',
    "ipsr": 'MSR("ipsr", 5); show("ipsr", MRS("ipsr")); show("epsr", MRS("epsr")); show("iepsr", MRS("iepsr"));',
}
CORE_REGISTERS_V7 = {
    "basepri": 'MSR("basepri", 0x1FF); show("basepri", MRS("basepri")); MSR("basepri_max", 0); '
    'show("basepri", MRS("basepri")); MSR("basepri", 0);',
    "faultmask": 'MSR("faultmask", 3); show("faultmask", MRS("faultmask")); CPSIE_F();',
}


def core_registers(architecture: int) -> Iterator[Scenario]:
    """What MRS reads of a special register after MSR wrote it."""
    for name, body in {**CORE_REGISTERS, **(CORE_REGISTERS_V7 if architecture > 6 else {})}.items():
        if name == "control" and architecture > 6:
            body = body.replace('"control", 6', '"control", 4')
        elif name == "control":
            body = body.replace('"control", 6', '"control", 5')
        code = f"void scenario(void)\n{{\n    {body}\n}}\n"
        yield Scenario(f"special-{name}", code, times=1, options=("-fomit-frame-pointer",))


def bit_band(random: Random) -> Iterator[Scenario]:
    """Bits of RAM as words of their own."""
    code = f"""
static volatile uint32_t word;
#define BIT(n) REG(0x22000000 + ((uint32_t)&word - 0x20000000) * 32 + (n) * 4)
void scenario(void)
{{
    word = {random.getrandbits(32):#x};
    show("bit", BIT(3));
    BIT(3) = 0xFFFFFFFE;
    BIT(30) = 1;
    show("word", word);
    show("bit", BIT(30));
}}
"""
    yield Scenario("bit-band", code, times=1)
