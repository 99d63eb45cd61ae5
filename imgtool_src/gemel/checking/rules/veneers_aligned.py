"""Rule ``veneers-aligned``: the veneers of a secure build begin where the attribution unit can begin."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.cores.secure_builds import (
    SECURE,
    VECTOR_UNIT,
    VENEER_SECTION,
    builds_of,
    gateways_of,
    veneer_vectors,
)
from gemel.inspection.cores.views import area_at
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, found_or_holds, needs_elf
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, NotChecked, Outcome
from gemel.spans import Span, align_down, align_up, format_address


@of_each_build("sections", lambda inspection: builds_of(inspection.layout, *SECURE))
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each secure build that has veneers or does not show, or one finding for each vector.

    That the vector also ends at a multiple of 32 bytes, filled up with zeros, is seen in the image.
    """
    vectors = veneer_vectors(build)
    if not vectors:
        yield from _without_vector(plan, build)
        return
    starts = ", ".join(format_address(vector.start) for vector in vectors)
    misaligned = [vector for vector in vectors if vector.start % VECTOR_UNIT]
    findings = (_finding(inspection, plan, build.file, vector) for vector in misaligned)
    yield from found_or_holds(findings, f"build {plan.name}, veneers from {starts} on")


def _without_vector(plan: BuildPlan, build: Build) -> Iterator[NotChecked]:
    """Why veneers were not found by their section, if the build may have some."""
    reason = needs_elf(plan.name, build, "symbols")
    if made := sum(gateway.address is not None for gateway in gateways_of(build)):
        reason = f"{counted(made, 'gateway')} without a section {VENEER_SECTION} that holds them"
    if reason:
        yield NotChecked(f"build {plan.name}", reason)


def _finding(inspection: Inspection, plan: BuildPlan, file: str, vector: Span) -> Finding:
    area = area_at(inspection.layout, vector.start, plan.core)
    located = locate(inspection.layout, vector.start, plan.core)
    below = align_down(vector.start, VECTOR_UNIT)
    above = align_up(vector.start, VECTOR_UNIT)
    return Finding(
        f"the veneers of build {plan.name} do not begin at a multiple of {VECTOR_UNIT} bytes",
        concerned(plan.name, plan.core, area.name if area else ""),
        where=f"build {plan.name} ({file}), section {VENEER_SECTION}",
        found=f"{vector}, which begins {counted(vector.start - below, 'byte')} after such a multiple",
        expected=f"a start at {format_address(below)} or {format_address(above)}",
        span=Span(located.plain, vector.size) if located else None,
    )


RULE = Rule(
    name="veneers-aligned",
    severity="error",
    guards="device",
    checks="The veneers of a secure build, by the section .gnu.sgstubs of its ELF file, begin at a multiple "
    "of 32 bytes.",
    why="The attribution unit makes memory callable in units of 32 bytes. Where the veneers begin inside "
    "one, either what is in front of them becomes callable too, or the first of them do not and calls "
    "through these end in a SecureFault.",
    remedy="Give the section .gnu.sgstubs an address that is a multiple of 32 (--section-start with the GNU "
    "linker) and no SUBALIGN below 32 in the linker script; then link what calls it with the new import "
    "library.",
    source='CMSE 1.4, chapter "CMSE support", requirement 13, secure gateway veneers; Armv8-M architecture '
    "reference manual, SAU_RBAR and SAU_RLAR: base and limit bits 31 to 5 (second-hand)",
    absent="the layout states no secure area, or no secure build has veneers (a section .gnu.sgstubs)",
    check=check,
    only_with="security",
)
