"""Rule ``initialised-data-in-ram``: variables with a value run where they can be written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import (
    MAX_SHOWN,
    biggest_symbols,
    concerned,
    found_or_holds,
    lines_in_short,
    sized,
)
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Outcome
from gemel.spans import Span, align_down, align_up

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section

_DATA = (".data.", ".sdata.")
"""Names of sections of initialised variables; ``.data.rel.ro`` and the like never stand alone in a program."""


@of_each_build("sections")
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build, one finding for all its variables in one memory of flash."""
    stored = (
        [each for each in build.sections.all() if each.allocated and each.stored] if build.sections else []
    )
    sections = [each for each in stored if _is_data(each) or _is_written(inspection, plan, each, stored)]
    if sections:
        in_flash: dict[str, list[Section]] = {}
        for section in sections:
            located = locate(inspection.layout, section.span.start, plan.core)
            if located and located.memory.holds_image:
                in_flash.setdefault(located.memory.name, []).append(section)
        findings = (_finding(inspection, plan, build, *each) for each in in_flash.items())
        yield from found_or_holds(findings, f"build {plan.name}")


def _is_data(section: Section) -> bool:
    """Whether a section is named as initialised variables."""
    return (
        section.writable
        and bool(section.span.size)
        and f"{section.name}.".startswith(_DATA)
        and not section.name.startswith((".data.rel.ro", ".data.ro"))
    )


def _is_written(inspection: Inspection, plan: BuildPlan, section: Section, stored: list[Section]) -> bool:
    """Whether start-up code, or what it goes on to, writes in a section with code or constants in its erase blocks.

    Settings that code programs by the flash controller are written too, but have erase blocks of their own: erasing
    them would take what else is there.
    """
    run = inspection.start_runs.get(plan.name)
    written = run.overwritten if run and section.writable else ()
    located = locate(inspection.layout, section.span.start, plan.core)
    block = located.memory.erase_block if located else None
    if not block or not any(span.overlaps(section.span) for span in written):
        return False
    blocks = Span.from_bounds(align_down(section.span.start, block), align_up(section.span.end, block))
    return any(not each.writable and each.span.overlaps(blocks) for each in stored)


def _finding(
    inspection: Inspection, plan: BuildPlan, build: Build, memory: str, sections: list[Section]
) -> Finding:
    names = ", ".join(section.name for section in sections[:MAX_SHOWN])
    many = "s" if len(sections) > 1 else ""
    lines = [
        f"largest objects there: {symbols}"
        for section in sections
        if (symbols := biggest_symbols(build, section.span))
    ]
    return Finding(
        f"build {plan.name} has its variables in {inspection.layout.memories[memory].words}",
        concerned(plan.name, plan.core, plan.stored_in, memory),
        where=f"build {plan.name} ({build.file}, section{many} {names})",
        found=f"run address{'es' if many else ''} {', '.join(sized(each.span) for each in sections[:MAX_SHOWN])}",
        expected=f"a run address in RAM that core {plan.core} owns, and a load address in flash",
        next_step=f"write > RAM AT> FLASH after section {sections[0].name} in the linker script, and copy it at "
        "the start"
        if sections[0].name.count(".") == 1
        else "place the input sections in the section of initialised data in the linker script: *(.data .data.*)",
        lines=lines_in_short(lines, "section"),
    )


RULE = Rule(
    name="initialised-data-in-ram",
    severity="error",
    guards="device",
    checks="No section of initialised variables (.data, or any that code writes from reset on and that has no erase "
    "block of its own) has its run address in flash or rom.",
    why="A store to flash is ignored or faults, depending on the device. The variables keep their initial value "
    "for ever, or the first assignment ends in a fault handler; reading them works, so that much seems right.",
    remedy="Give the section a run address in RAM and a load address in flash in the linker script, and let "
    "start-up code copy it.",
    source="System V gABI, section 'Special Sections' (.data); common practice",
    absent="no build has a section of initialised variables",
    check=check,
    of_elf=True,
)
