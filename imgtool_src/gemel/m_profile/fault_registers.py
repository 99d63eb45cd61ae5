"""The bits of the fault status registers by name, and what an exception return value says.

Armv7-M and Armv8-M Architecture Reference Manuals, "Configurable Fault Status Register", "HardFault Status
Register", "Debug Fault Status Register", "Secure Fault Status Register", "EXC_RETURN" (from memory); Armv6-M has only
the return values.
"""

from __future__ import annotations

import re
from functools import lru_cache

from gemel.m_profile.memory_map import OWN_REGISTERS

_MEMORY = {0: "IACCVIOL", 1: "DACCVIOL", 3: "MUNSTKERR", 4: "MSTKERR", 5: "MLSPERR", 7: "MMARVALID"}
_BUS = {
    0: "IBUSERR",
    1: "PRECISERR",
    2: "IMPRECISERR",
    3: "UNSTKERR",
    4: "STKERR",
    5: "LSPERR",
    7: "BFARVALID",
}
_USAGE = {0: "UNDEFINSTR", 1: "INVSTATE", 2: "INVPC", 3: "NOCP", 4: "STKOF", 8: "UNALIGNED", 9: "DIVBYZERO"}
_CONFIGURABLE = {
    **_MEMORY,
    **{8 + bit: name for bit, name in _BUS.items()},
    **{16 + bit: name for bit, name in _USAGE.items()},
}
_HARD = {1: "VECTTBL", 30: "FORCED", 31: "DEBUGEVT"}
_DEBUG = {0: "HALTED", 1: "BKPT", 2: "DWTTRAP", 3: "VCATCH", 4: "EXTERNAL", 5: "PMU"}
_SECURE = {
    0: "INVEP",
    1: "INVIS",
    2: "INVER",
    3: "AUVIOL",
    4: "INVTRAN",
    5: "LSPERR",
    6: "SFARVALID",
    7: "LSERR",
}
_REGISTERS = {
    "cfsr": _CONFIGURABLE,
    "hfsr": _HARD,
    "mmfsr": _MEMORY,
    "mfsr": _MEMORY,
    "bfsr": _BUS,
    "ufsr": _USAGE,
    "dfsr": _DEBUG,
    "sfsr": _SECURE,
}
_DIGITS = {"mmfsr": 2, "mfsr": 2, "bfsr": 2, "ufsr": 4}
"""Hexadecimal digits of the registers that have fewer than eight."""

_SPELLED_OUT = re.compile(
    r"\b(?:([a-z]{1,2}fsr)\s*\([^()]*\)"
    r"|(configurable|hard|usage|bus|mem\w*(?: management)?|debug|secure)[ _]?fault[ _]?status(?:[ _]?register)?)"
    r"\W{0,12}\Z",
    re.IGNORECASE,
)

ADDRESS = re.compile(r"(?:pc|lr|ra|r1[45]|epc|elr|(?:mm|b|s)far|mmar)\Z", re.IGNORECASE)
"""Names of registers that hold an address, so that a number after one needs neither 0x nor eight digits."""

RETURN = re.compile(r"(?:lr|ra|r14)\Z", re.IGNORECASE)
"""Names of the link register."""

NO_ADDRESS = re.compile(
    r"(?:[acehimx]?psr|primask|basepri|faultmask|control|icsr|shcsr|afsr|abfsr|ccr|aircr|scr|fpscr|fpccr"
    r"|cpacr|cpuid|size|length|crc\d*|sp_?lim|count)$",
    re.IGNORECASE,
)
"""Names of registers and values that hold no address."""


_SETS = ("ISER", "ICER", "ISPR", "ICPR", "IABR")
_SYSTEM = {
    **{0xE000_E100 + 0x80 * i + 4 * n: f"NVIC_{each}{n}" for i, each in enumerate(_SETS) for n in range(16)},
    0xE000_1000: "DWT_CTRL",
    0xE000_1004: "DWT_CYCCNT",
    0xE000_E010: "SYST_CSR",
    0xE000_E014: "SYST_RVR",
    0xE000_E018: "SYST_CVR",
    0xE000_ED00: "CPUID",
    0xE000_ED04: "ICSR",
    0xE000_ED08: "VTOR",
    0xE000_ED0C: "AIRCR",
    0xE000_ED10: "SCR",
    0xE000_ED14: "CCR",
    0xE000_ED24: "SHCSR",
    0xE000_ED28: "CFSR",
    0xE000_ED2C: "HFSR",
    0xE000_ED30: "DFSR",
    0xE000_ED34: "MMFAR",
    0xE000_ED38: "BFAR",
    0xE000_ED3C: "AFSR",
    0xE000_ED88: "CPACR",
    0xE000_ED94: "MPU_CTRL",
    0xE000_EDE4: "SFSR",
    0xE000_EDE8: "SFAR",
    0xE000_EDF0: "DHCSR",
    0xE000_EDFC: "DEMCR",
    0xE000_EF34: "FPCCR",
}
"""Registers of the System Control Space and of the trace unit (same manuals, "System Control Space", from memory)."""

FIRST_RETURN = 0xFFFF_FF80
"""The first value of EXC_RETURN."""


@lru_cache(1 << 10)
def flags_of(register: str, value: int) -> str | None:
    """The set bits of a fault status register by name, ``no bit set`` for 0; None for any other register.

    A bit without a name is written as ``bit 12``.
    """
    bits = _REGISTERS.get(register.lower())
    if bits is None:
        return None
    names = [bits.get(bit, f"bit {bit}") for bit in range(32) if value >> bit & 1]
    return ", ".join(names) or "no bit set"


def has_its_width(register: str, digits: int) -> bool:
    """Whether a number without 0x has the digits of a fault status register of this name."""
    return register.lower() in _REGISTERS and digits == _DIGITS.get(register.lower(), 8)


def spelled_out(text: str) -> str:
    """The fault status register that ``text`` ends with in words, or with words in parentheses; empty if none."""
    lower = text.lower()
    match = _SPELLED_OUT.search(lower) if "fsr" in lower or "status" in lower else None
    return (match[1] or f"{match[2][0]}fsr") if match else ""


def system_register(address: int) -> str:
    """The name of one of a core's own registers; empty for any other address."""
    return _SYSTEM.get(address, "")


def meaning_of(value: int) -> str:
    """What a value in an address register is to a core of any device, in words; empty for an ordinary address."""
    if OWN_REGISTERS.holds(value):
        name = system_register(value & ~3)
        return f"{f'{name}, one of ' if name else ''}the core's own registers (private peripheral bus)"
    return exception_return(value)


def exception_return(value: int) -> str:
    """What a value of EXC_RETURN returns to; empty for a value that is none.

    Bit 2 names the stack, bit 3 the mode, bit 4 is clear where the frame holds float registers.
    """
    if value < FIRST_RETURN or value & 0x83 not in (0x81, 0x80) or value == 0xFFFF_FFFF:
        return ""
    mode = "thread mode" if value & 8 else "handler mode"
    stack = "process stack" if value & 4 else "main stack"
    frame = "" if value & 16 else ", float frame"
    return f"exception return to {mode}, {stack}{frame}"
