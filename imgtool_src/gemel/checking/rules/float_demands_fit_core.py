"""Rule ``float-demands-fit-core``: a build compiled for floating point has a core with such a unit."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.elf.attributes import BuildAttributes
from gemel.checking.findings.build_demands import Demand, demand_outcomes, tag_words
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.m_profile.capabilities import Capability
from gemel.outcomes import Holds, NotChecked, Outcome

FP_ARCH, ADVANCED_SIMD, HARD_FP_USE, FP_ARGS = 10, 12, 27, 28
"""Tags of ADDENDA32, "The target-related attributes" and "The ABI-related attributes"."""

SIXTEEN_REGISTERS = (4, 6, 8)
"""Values of Tag_FP_arch that a unit of an M-profile core can have: 16 registers of 64 bits (from memory)."""
FP_ARMV8 = 8
SINGLE_ONLY = 1
IN_FLOAT_REGISTERS = 1
SOFTFP = "so the flags in the file header look like those of code without floating point"


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, or one finding for each demand that its core does not meet."""
    unclear = {f"build {name}": reason for name, reason in _unclear(inspection)}
    for outcome in demand_outcomes(inspection, _demands, (FP_ARCH,)):
        if isinstance(outcome, Holds) and outcome.where in unclear:
            yield NotChecked(outcome.where, unclear[outcome.where])
        else:
            yield outcome


def _demands(attributes: BuildAttributes) -> Iterator[Demand]:
    arguments = f"arguments {tag_words(attributes, FP_ARGS)}"
    if attributes.fp_arch:
        words = tag_words(attributes, FP_ARCH)
        needs: tuple[Capability, ...] = ("fp-double",)
        enough: Capability | None = None
        if attributes.fp_arch not in SIXTEEN_REGISTERS:
            needs = ("nobody",)
        elif attributes.hard_fp_use == SINGLE_ONLY:
            words += f", {tag_words(attributes, HARD_FP_USE)}"
            needs = ("fp",)
        else:
            words += ", double precision included (no Tag_ABI_HardFP_use that narrows it)"
            enough = "fp"
        detail = arguments if attributes.fp_args else f"{arguments}: {SOFTFP}"
        yield Demand(FP_ARCH, words, needs, detail, enough)
    if attributes.advanced_simd:
        yield Demand(ADVANCED_SIMD, tag_words(attributes, ADVANCED_SIMD), ("nobody",))
    if attributes.fp_args == IN_FLOAT_REGISTERS and not attributes.fp_arch:
        yield Demand(FP_ARGS, arguments, ("fp", "mve"))


def _unclear(inspection: Inspection) -> Iterator[tuple[str, str]]:
    """Builds of which the layout cannot say whether the core's unit is new enough, and why."""
    for name, plan in inspection.layout.builds.items():
        core, build = inspection.layout.cores[plan.core], inspection.builds.get(name)
        has_single = "fp" in core.extensions and "fp-double" not in core.extensions
        if core.architecture != "armv7e-m" or not has_single or build is None or build.attributes is None:
            continue
        if build.attributes.fp_arch == FP_ARMV8 and build.attributes.hard_fp_use == SINGLE_ONLY:
            newer = f"it uses FPv5, and fp of {core.architecture} does not show whether core {core.name} has"
            yield name, f"{newer} more than FPv4"


RULE = Rule(
    name="float-demands-fit-core",
    severity="error",
    guards="device",
    checks="The floating-point unit, precision and calling convention in a build's attributes are ones that its core "
    "has; where they leave open whether double precision is used, its instructions say so.",
    why="The first floating-point instruction on a core without a unit faults, and the compiler uses them where "
    "the source has no float: it saves registers and copies structures with them. Two libraries with different "
    "calling conventions pass each other garbage.",
    remedy="Compile the build and all its libraries with the -march= and -mfloat-abi= of its core, or "
    "correct the core's extensions in the layout if the device has them.",
    source='ADDENDA32 2025Q4, sections "The target-related attributes" and "The ABI-related attributes", '
    "Tag_FP_arch, Tag_Advanced_SIMD_arch, Tag_ABI_HardFP_use, Tag_ABI_VFP_args; which units M-profile "
    "cores have: from memory",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
