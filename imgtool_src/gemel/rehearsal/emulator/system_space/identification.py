"""What a core says of itself: its identification, and the registers of its features.

Register addresses: Armv7-M and Armv8-M architecture reference manuals, "The CPUID scheme" (from memory).
"""

from __future__ import annotations

from gemel.rehearsal.plan import CorePlan

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
# What the core says of itself in PFR0, PFR1, DFR0, AFR0, MMFR0 to 3, ISAR0 to 4, and in MVFR0 to 2.
_FEATURES = {
    "armv7-m": (
        (
            0x30,
            0x200,
            0x10_0000,
            0,
            0x30,
            0,
            0,
            0,
            0x114_1110,
            0x211_1000,
            0x2111_2231,
            0x111_1110,
            0x131_0102,
        ),
        (),
    ),
    "armv7e-m": (
        (
            0x30,
            0x200,
            0x10_0000,
            0,
            0x30,
            0,
            0,
            0,
            0x114_1110,
            0x211_2000,
            0x2123_2231,
            0x111_1131,
            0x131_0102,
        ),
        (0x1011_0021, 0x1100_0011, 0),
    ),
    "armv8-m.main": (
        (
            0x30,
            0x200,
            0x20_0000,
            0,
            0x10_1F40,
            0,
            0x100_0000,
            0,
            0x110_1110,
            0x221_2000,
            0x2023_2232,
            0x111_1131,
            0x131_0132,
        ),
        (0x1011_0021, 0x1100_0011, 0x40),
    ),
}
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
    words, of_float = _FEATURES.get(plan.architecture, ((), ()))
    found = {FEATURES + 4 * place: word for place, word in enumerate(words)} | (_PERIPHERAL if words else {})
    if plan.architecture == "armv8-m.main":
        found[FEATURES + 4] |= 0x10 if plan.secure else 0
        found[CACHE_TYPE] = 0x8000_C000
        if "dsp" in plan.lacks:
            found.update({FEATURES + 4 * place: word for place, word in _WITHOUT_DSP.items()})
    if plan.has_float:
        found.update({FLOAT_FEATURES + 4 * place: word for place, word in enumerate(of_float)})
    return found
