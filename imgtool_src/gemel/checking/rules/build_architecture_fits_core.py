"""Rule ``build-architecture-fits-core``: a build is compiled for an architecture that its core has."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.elf.attributes import BuildAttributes
from gemel.checking.findings.build_demands import why_no_demand
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, needs_elf
from gemel.layout.model import BuildPlan, Core
from gemel.m_profile.architectures import MAINLINES_OF_V8, RUNS
from gemel.outcomes import Finding, Holds, NotChecked, Outcome

CPU_ARCH, PROFILE = 6, 7
"""Tags of ADDENDA32, "The target-related attributes"."""

ARMV7E_M = 13


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build."""
    for name, plan in inspection.layout.builds.items():
        where = f"build {name}"
        build = inspection.builds.get(name)
        if build is None or build.attributes is None:
            yield NotChecked(where, needs_elf(name, build, "build attributes"))
            continue
        core = inspection.layout.cores[plan.core]
        wrong = _wrong(core, build.attributes)
        if wrong and _of_newer_code(build.attributes) and (excuse := why_no_demand(inspection, core, build)):
            yield Holds(f"{where}: {excuse}")
        elif wrong:
            yield _finding(plan, core, build.file, build.attributes, *wrong)
        elif reason := _why_unknown(build.attributes):
            yield NotChecked(where, reason)
        else:
            yield Holds(where)


def _of_newer_code(attributes: BuildAttributes) -> bool:
    """Whether one function by a directive of the assembler can have made a build's architecture what it is."""
    return attributes.profile in ("", "M") and not attributes.arm_instructions


def _why_unknown(attributes: BuildAttributes) -> str:
    if CPU_ARCH not in attributes.values:
        return "its build attributes name no architecture"
    if attributes.not_understood:
        tags = ", ".join(map(str, attributes.not_understood))
        return f"its build attributes make demands that this gemel does not know (tags {tags})"
    return ""


def _wrong(core: Core, attributes: BuildAttributes) -> tuple[str, str] | None:
    """What the build is made for, and what the core has instead; None if the core runs it."""
    runs = RUNS[core.architecture]
    if core.architecture in MAINLINES_OF_V8 and "dsp" in core.extensions:
        runs = (*runs, ARMV7E_M)
    arch, expected = attributes.in_words(CPU_ARCH), f"{core.architecture} or what it runs"
    if attributes.profile not in ("", "M"):
        return f"{arch}, profile {attributes.in_words(PROFILE)}", f"{expected}, profile microcontroller"
    if CPU_ARCH in attributes.values and attributes.cpu_arch not in runs:
        return arch, expected
    if attributes.arm_instructions:
        return f"{arch} with Arm instructions", "Thumb instructions only, as all M-profile cores run"
    return None


def _finding(
    plan: BuildPlan, core: Core, file: str, attributes: BuildAttributes, found: str, expected: str
) -> Finding:
    cpu = attributes.cpu_name
    name = f", CPU name {cpu}" if cpu and cpu.lower() not in found.lower() else ""
    lines: tuple[str, ...] = ()
    if attributes.cpu_arch == ARMV7E_M and core.architecture in MAINLINES_OF_V8:
        lines = (f"core {core.name} would run it with dsp among its extensions in the layout",)
    return Finding(
        f"build {plan.name} is compiled for another architecture than core {core.name} has",
        concerned(plan.name, core.name),
        where=f"build {plan.name} ({file}), build attributes",
        found=f"{found}{name}",
        expected=f"{expected}, core {core.name}",
        lines=lines,
    )


RULE = Rule(
    name="build-architecture-fits-core",
    severity="error",
    guards="device",
    checks="The architecture and profile in a build's attributes are those of its core, or ones whose code it can "
    "run, unless a test of the core's own state guards all code beyond that, or a directive alone requires more.",
    why="The core meets an instruction that it does not have and faults, often long after the start: in a library "
    "routine, or on the one path that no test took. The usual cause is a file of the other core or the other "
    "board.",
    remedy="Give the file that was made for this core, or compile with the -march= of the core; a .cpu or .arch "
    "directive in assembler code outweighs that option.",
    source='ADDENDA32 2025Q4, section "The target-related attributes", Tag_CPU_arch and '
    "Tag_CPU_arch_profile; which M-profile architecture runs the code of which: from memory",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
