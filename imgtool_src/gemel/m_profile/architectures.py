"""The architectures of M-profile cores by the layout's names: what each can have and runs.

Sources: the Armv6-M, Armv7-M and Armv8-M architecture reference manuals (from memory); the compiler's
``-march`` extensions, which the tests ask; ADDENDA32 2025Q4, "The target-related attributes", for tags.
"""

from __future__ import annotations

ARCHITECTURES = ("armv6-m", "armv7-m", "armv7e-m", "armv8-m.base", "armv8-m.main", "armv8.1-m.main")
"""As the compiler's ``-march`` has them, each after those whose code it runs."""

BASELINES = ("armv6-m", "armv8-m.base")
"""HardFault is the only fault; there is no debug monitor, and no unaligned access."""

MAINLINES_OF_V8 = ("armv8-m.main", "armv8.1-m.main")

EXTENSIONS = ("fp", "fp-double", "dsp", "mve", "mve-fp", "mpu", "security")

EXTENSIONS_OF: dict[str, tuple[str, ...]] = {
    "armv6-m": ("mpu",),
    "armv7-m": ("mpu",),
    "armv7e-m": ("fp", "fp-double", "dsp", "mpu"),
    "armv8-m.base": ("mpu", "security"),
    "armv8-m.main": ("fp", "fp-double", "dsp", "mpu", "security"),
    "armv8.1-m.main": ("fp", "fp-double", "dsp", "mve", "mve-fp", "mpu", "security"),
}
"""Extensions that a core of each architecture can have; every Armv7E-M core has ``dsp``, named or not."""

MAX_INTERRUPTS_ARMV6_M, MAX_INTERRUPTS = 32, 496
"""External interrupts of an Armv6-M core, and of any core, at most."""

TAGGED: dict[int, str] = {
    10: "armv7-m",
    11: "armv6-m",
    12: "armv6-m",
    13: "armv7e-m",
    16: "armv8-m.base",
    17: "armv8-m.main",
    21: "armv8.1-m.main",
}
"""By Tag_CPU_arch of a build's attributes; 10 only with profile M."""

RUNS: dict[str, tuple[int, ...]] = {
    "armv6-m": (11, 12),
    "armv7-m": (10, 11, 12),
    "armv7e-m": (10, 11, 12, 13),
    "armv8-m.base": (11, 12, 16),
    "armv8-m.main": (10, 11, 12, 16, 17),
    "armv8.1-m.main": (10, 11, 12, 16, 17, 21),
}
"""Values of Tag_CPU_arch whose code each architecture runs (ADDENDA32 for the method); Armv8-M Mainline with
``dsp`` runs code for Armv7E-M (13) too."""
