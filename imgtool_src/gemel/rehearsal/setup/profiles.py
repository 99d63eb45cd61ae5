"""Which of the emulator's cores stands for which architecture, and what that leaves unsaid.

The numbers are those that unicorn 2.1.4 gives its M-profile cores; what each of them executes was measured
(``tests/rehearse/test_profiles.py``).
"""

from __future__ import annotations

from gemel.layout.model import Core

ARMV6_M, ARMV7_M, ARMV7E_M, ARMV7E_M_DOUBLE, ARMV8_M_MAIN = 7, 8, 9, 10, 11

_SUPERSET_WORDS = "instructions that {core} lacks are reported where they are executed"


def emulated_as(core: Core) -> int:
    """The emulator's number of the nearest core that can do at least what this one can, where it has one."""
    if core.architecture == "armv6-m":
        return ARMV6_M
    if core.architecture == "armv7-m":
        return ARMV7_M
    if core.architecture == "armv7e-m":
        return ARMV7E_M_DOUBLE if "fp-double" in core.extensions else ARMV7E_M
    return ARMV8_M_MAIN


def profile_notes(core: Core) -> list[str]:
    """What to say of this core's emulation; nothing where the emulator has exactly such a core."""
    notes = []
    has_float = bool({"fp", "fp-double", "mve-fp"} & set(core.extensions))
    if core.architecture == "armv7e-m" and not (has_float and "dsp" in core.extensions):
        stand_in = "an Armv7E-M core with DSP and float instructions"
        notes.append(f"{core.name}: emulated as {stand_in}; {_SUPERSET_WORDS.format(core=core.name)}")
    if core.architecture == "armv8-m.base" or (
        core.architecture == "armv8-m.main" and not (has_float and "dsp" in core.extensions)
    ):
        stand_in = "an Armv8-M Mainline core with DSP and single-precision float instructions"
        notes.append(f"{core.name}: emulated as {stand_in}; {_SUPERSET_WORDS.format(core=core.name)}")
    if core.architecture == "armv8.1-m.main":
        notes.append(
            f"{core.name}: the emulator has no Armv8.1-M core; emulated as Armv8-M Mainline, so vector and "
            "low-overhead loop instructions end the rehearsal of this core without a verdict"
        )
    elif core.architecture == "armv8-m.main" and "fp-double" in core.extensions:
        notes.append(
            f"{core.name}: the emulator's Armv8-M core has no double-precision arithmetic; such an "
            "instruction ends the rehearsal of this core without a verdict"
        )
    if core.architecture in ("armv6-m", "armv8-m.base"):
        notes.append(
            f"{core.name}: {core.architecture} faults on unaligned accesses; each would be reported"
            + ("" if core.architecture == "armv6-m" else ", but only with the watch alignment")
        )
    return notes
