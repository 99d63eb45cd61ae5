"""Rule ``instructions-fit-core``: every instruction of a build is one that its core has."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, needs_elf
from gemel.layout.model import BuildPlan, Core
from gemel.m_profile.capabilities import lacking
from gemel.m_profile.instructions.disassembly import why_not
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import format_address

if TYPE_CHECKING:
    from gemel.builds.mapped_code import MappedCode


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, or one finding for each kind of instruction that its core lacks."""
    reason = why_not(inspection.disassemble)
    for name, plan in inspection.layout.builds.items():
        build = inspection.builds.get(name)
        missing = reason or needs_elf(name, build, "symbols")
        code = None if missing else inspection.mapped_code.get(name)
        if code is None or build is None:
            yield NotChecked(f"build {name}", missing)
        else:
            yield from _outcomes(plan, inspection.layout.cores[plan.core], build, code)


def _outcomes(plan: BuildPlan, core: Core, build: Build, code: MappedCode) -> Iterator[Outcome]:
    from gemel.checking.findings.lacking_instructions import lacking_findings
    from gemel.inspection.code.guarded_code import lacking_code

    where = f"build {plan.name}"
    lacked = lacking(core.architecture, core.extensions)
    places = [place for place, guarded in lacking_code(lacked, build, code) if not guarded]
    findings = [
        *lacking_findings(plan, core, f"{where} ({build.file})", places),
        *_arm_code(plan, core, build, code),
    ]
    yield from findings
    for span in code.unmapped:
        yield NotChecked(where, f"its code at {span} has no mapping symbols, or is below other sections")
    if not findings and not code.unmapped:
        if code.sections:
            yield Holds(where)
        else:
            yield NotChecked(where, "it has no section of code")


def _arm_code(plan: BuildPlan, core: Core, build: Build, code: MappedCode) -> Iterator[Finding]:
    for span in (span for section in code.sections for span in section.arm):
        found = build.function_at(span.start)
        function = f" ({found[0].name})" if found else ""
        yield Finding(
            f"build {plan.name} holds Arm code",
            concerned(plan.name, core.name),
            where=f"build {plan.name} ({build.file})",
            found=f"Arm instructions at {format_address(span.start)}{function}, by the mapping symbol $a there",
            expected="Thumb instructions only, as all M-profile cores run",
            span=span,
        )


RULE = Rule(
    name="instructions-fit-core",
    severity="error",
    guards="device",
    checks="Every instruction of a build, separated from data by the mapping symbols, is one that its core has, "
    "by its architecture and extensions in the layout, unless it is guarded by a test of the core's own state.",
    why="An instruction that the core lacks is undefined: it faults when it is reached, which may be once "
    "a year. Hand-written assembly and libraries without build attributes bring such instructions in "
    "without a warning from compiler or linker.",
    remedy="Compile the function for this core, or use one that was written for it, or correct the core's extensions "
    "in the layout if the device has them.",
    source='AAELF32 2025Q4, section "Mapping symbols"; which architecture has which instruction: Armv6-M, '
    "Armv7-M and Armv8-M architecture reference manuals (from memory)",
    absent="the layout has no build",
    check=check,
)
