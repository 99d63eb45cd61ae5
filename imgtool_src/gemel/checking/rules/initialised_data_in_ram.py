"""Rule ``initialised-data-in-ram``: variables with a value run where they can be written."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import builds_that_state
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import biggest_symbols, concerned, found_or_holds, sized
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, NotChecked, Outcome

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section

_DATA = re.compile(r"^\.s?data(\.|$)")
"""Names of sections of initialised variables; ``.data.rel.ro`` and the like never stand alone in a program."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, one finding for each section of variables in flash."""
    for told in builds_that_state(inspection, "sections"):
        if isinstance(told, NotChecked):
            yield told
            continue
        plan, build = told
        sections = (
            [section for section in build.sections.all() if _is_data(section)] if build.sections else []
        )
        if sections:
            findings = (each for section in sections for each in _findings(inspection, plan, build, section))
            yield from found_or_holds(findings, f"build {plan.name}")


def _is_data(section: Section) -> bool:
    return (
        section.allocated
        and section.writable
        and section.stored
        and bool(section.span.size)
        and bool(_DATA.match(section.name))
        and not section.name.startswith((".data.rel.ro", ".data.ro"))
    )


def _findings(inspection: Inspection, plan: BuildPlan, build: Build, section: Section) -> Iterator[Finding]:
    located = locate(inspection.layout, section.span.start, plan.core)
    if located is None or not located.memory.holds_image:
        return
    symbols = biggest_symbols(build, section.span)
    yield Finding(
        f"build {plan.name} has its variables in {located.memory.words}",
        concerned(plan.name, plan.core, plan.stored_in, located.memory.name),
        where=f"build {plan.name} ({build.file}, section {section.name})",
        found=f"run address {sized(section.span)}",
        expected=f"a run address in RAM that core {plan.core} owns, and a load address in flash",
        next_step=f"write > RAM AT> FLASH after section {section.name} in the linker script, and copy it at "
        "the start",
        lines=(f"largest objects there: {symbols}",) if symbols else (),
    )


RULE = Rule(
    name="initialised-data-in-ram",
    severity="error",
    guards="device",
    checks="No section of initialised variables (.data) has its run address in flash or rom.",
    why="A store to flash is ignored or faults, by the device. The variables keep the value that they start with "
    "for ever, or the first assignment ends in a fault handler; reading them works, so that much seems right.",
    remedy="Give the section a run address in RAM and a load address in flash in the linker script, and let "
    "start-up code copy it.",
    source="System V gABI, section 'Special Sections' (.data); common practice",
    absent="no build has a section of initialised variables",
    check=check,
    of_elf=True,
)
