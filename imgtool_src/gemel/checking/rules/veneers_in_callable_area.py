"""Rule ``veneers-in-callable-area``: a secure build's gateways are where non-secure code may call into."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.cores.secure_builds import (
    SECURE,
    Gateway,
    area_words,
    builds_of,
    callable_areas,
    gateways_of,
)
from gemel.inspection.cores.views import area_at
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, lines_in_short
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import format_address


def _plans(inspection: Inspection) -> list[BuildPlan]:
    """The builds in secure areas, and those in others that are given and may be secure all the same."""
    others = builds_of(inspection.layout, "non-secure")
    given = [plan for plan in others if (build := inspection.builds.get(plan.name)) and build.symbols]
    return [*builds_of(inspection.layout, *SECURE), *given]


@of_each_build("symbols", _plans)
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build that offers functions, or that is secure and whose symbols are missing."""
    made = [gateway for gateway in gateways_of(build) if gateway.address is not None]
    if made and inspection.layout.areas[plan.stored_in].security not in SECURE:
        yield _called_non_secure(plan, build.file, made)
    elif outside := [gateway for gateway in made if not _callable(inspection, plan, gateway)]:
        yield _finding(inspection, plan, build.file, outside)
    elif made:
        yield Holds(f"build {plan.name}, {counted(len(made), 'gateway')}")


def _callable(inspection: Inspection, plan: BuildPlan, gateway: Gateway) -> bool:
    area = area_at(inspection.layout, gateway.address or 0, plan.core)
    return area is not None and area.security == "non-secure-callable"


def _called_non_secure(plan: BuildPlan, file: str, made: list[Gateway]) -> Finding:
    return Finding(
        f"build {plan.name} is secure, by its {counted(len(made), 'gateway')}, and its area is not",
        concerned(plan.name, plan.core, plan.stored_in),
        where=f"build {plan.name} ({file}), area {plan.stored_in}",
        found=f"gateway {made[0].name} at {format_address(made[0].address or 0)}; area {plan.stored_in} is non-secure",
        expected="a secure area, and a non-secure-callable one for the gateways",
        next_step="give the build its secure areas in the layout, or the file that was compiled without -mcmse",
    )


def _finding(inspection: Inspection, plan: BuildPlan, file: str, outside: list[Gateway]) -> Finding:
    lines = [_line(inspection, plan, gateway) for gateway in outside]
    area = area_at(inspection.layout, outside[0].address or 0, plan.core)
    expected = [
        f"{area_words(each)}, {inspection.layout.span_of(each.name)}"
        for each in callable_areas(inspection.layout)
    ]
    return Finding(
        f"non-secure code cannot enter build {plan.name} through {counted(len(outside), 'gateway')}",
        concerned(plan.name, plan.core, area.name if area else ""),
        where=f"build {plan.name} ({file})",
        found=lines[0],
        expected=" or ".join(expected) or "an area that the layout calls non-secure-callable",
        lines=lines_in_short(lines[1:], "gateway"),
    )


def _line(inspection: Inspection, plan: BuildPlan, gateway: Gateway) -> str:
    address = gateway.address or 0
    area = area_words(area_at(inspection.layout, address, plan.core))
    return f"{gateway.name} at {format_address(address)}, in {area}"


RULE = Rule(
    name="veneers-in-callable-area",
    severity="error",
    guards="device",
    checks="Each gateway of a build, by its symbols, is in an area that the layout calls non-secure-callable, "
    "and a build that has one is stored in a secure area.",
    why="A branch from non-secure code into secure memory that is not callable faults, so that the first "
    "call of the function ends in a SecureFault.",
    remedy="Give the section .gnu.sgstubs the address of the callable area (--section-start with the GNU "
    "linker), or make the area in which it is non-secure-callable in the layout and in the attribution "
    "unit.",
    source='CMSE 1.4, chapter "CMSE support", requirements 5 and 8, secure gateway veneers',
    absent="the layout states the security of no build's area, or no build offers functions (symbols __acle_se_...)",
    check=check,
    only_with="security",
)
