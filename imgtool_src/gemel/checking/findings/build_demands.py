"""What a build's attributes demand of its core, demand by demand, and whether the core has it."""

from __future__ import annotations

import re
from collections.abc import Callable, Container, Iterable, Iterator

from gemel.builds.build import Build
from gemel.builds.elf.attributes import BuildAttributes
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, needs_elf
from gemel.layout.model import BuildPlan, Core
from gemel.m_profile.architectures import ARCHITECTURES, EXTENSIONS
from gemel.m_profile.attribute_tags import TAGS
from gemel.m_profile.capabilities import IN_WORDS, Capability, capabilities_of
from gemel.m_profile.instructions.disassembly import why_not
from gemel.outcomes import Finding, Holds, NotChecked, Outcome, Reason, needs_of
from gemel.structs import NamedTuple

NO_DEFAULTS = 64
"""Tag_nodefaults: what is left out is not known instead of 0 (deprecated)."""


GUARDED = "it tests its core before it uses what the core lacks"
BY_DIRECTIVE = (
    "a directive of assembler code alone requires what the core lacks; no code uses it or was compiled for it"
)
COMPILED_FOR = re.compile(r" -march=([^ +]+)(\S*)")


class Demand(NamedTuple):
    """One thing demanded: by which tag, in words, and the capabilities of which one must be there.

    ``enough`` is a capability that will do where no instruction needs more, which the attributes leave open.
    """

    tag: int
    words: str
    needs: tuple[Capability, ...]
    detail: str = ""
    enough: Capability | None = None


DemandReader = Callable[["BuildAttributes"], Iterable[Demand]]


def demand_outcomes(
    inspection: Inspection, demands_of: DemandReader, only_guarded: Container[int] = ()
) -> Iterator[Outcome]:
    """One outcome for each build: a finding for each demand of ``demands_of`` that its core does not meet.

    Demands by the tags of ``only_guarded`` are met where code tests its core before each instruction that it lacks.
    """
    for name, plan in inspection.layout.builds.items():
        where = f"build {name}"
        build = inspection.builds.get(name)
        if build is None or build.attributes is None:
            yield NotChecked(where, needs_elf(name, build, "build attributes"))
            continue
        core = inspection.layout.cores[plan.core]
        has = capabilities_of(core.architecture, core.extensions)
        unmet = [demand for demand in demands_of(build.attributes) if not has.intersection(demand.needs)]
        open_ones = [demand for demand in unmet if demand.enough in has]
        if open_ones and (reason := why_not(inspection.disassemble)):
            words = f"whether an instruction needs more than {open_ones[0].enough}: {reason}"
            yield NotChecked(where, Reason(words, *needs_of(reason)))
            continue
        unmet = [each for each in unmet if each not in open_ones or not _unused(core, build, each)]
        findings = [_finding(plan, core, build.file, demand) for demand in unmet]
        excusable = findings and all(demand.tag in only_guarded for demand in unmet)
        if excusable and (excuse := why_no_demand(inspection, core, build)):
            yield Holds(f"{where}: {excuse}")
            continue
        yield from findings
        if findings:
            continue
        if reason := _why_unknown(build.attributes):
            yield NotChecked(where, reason)
        else:
            yield Holds(where)


def why_no_demand(inspection: Inspection, core: Core, build: Build) -> str:
    """Why attributes demand more than the core has, though its code does not; empty if it may."""
    from gemel.inspection.code.guarded_code import all_guarded

    if why_not(inspection.disassemble):
        return ""
    if all_guarded(core, build, some=True):
        return GUARDED
    return BY_DIRECTIVE if _compiled_for(core, build) and all_guarded(core, build) else ""


def _compiled_for(core: Core, build: Build) -> bool:
    """Whether the debug information has for each unit of a compiler an ``-march=`` whose code the core runs."""
    made = build.debug.unit_makers() if build.debug else None
    compiled = [producer for producer, _ in made.units if not producer.startswith("GNU AS")] if made else []
    options = [COMPILED_FOR.search(f" {producer}") for producer in compiled]
    return bool(made and not made.damaged and options) and all(
        each is not None and _runs(core, each[1].replace("armv6s", "armv6"), each[2].split("+")[1:])
        for each in options
    )


def _runs(core: Core, architecture: str, extensions: list[str]) -> bool:
    return (
        architecture in ARCHITECTURES
        and {*extensions} <= {*EXTENSIONS}
        and capabilities_of(architecture, extensions) <= capabilities_of(core.architecture, core.extensions)
    )


def _unused(core: Core, build: Build, demand: Demand) -> bool:
    """Whether no instruction needs what is demanded, but for those that a test of the core guards."""
    from gemel.inspection.code.guarded_code import all_guarded

    return all_guarded(core, build, demand.needs[0])


def _why_unknown(attributes: BuildAttributes) -> str:
    """Why an attribute that is left out cannot be taken for 0; empty if it can."""
    if not attributes.values:
        return "its build attributes say nothing of the whole file"
    if NO_DEFAULTS in attributes.values:
        return "its build attributes leave open what they do not state (Tag_nodefaults)"
    return ""


def tag_words(attributes: BuildAttributes, tag: int) -> str:
    """``floating-point instructions of FPv5 (Tag_FP_arch)``: a tag's value and name."""
    return f"{attributes.in_words(tag)} (Tag_{TAGS[tag].name})"


def _finding(plan: BuildPlan, core: Core, file: str, demand: Demand) -> Finding:
    extensions = f" with {', '.join(core.extensions)}" if core.extensions else " without extensions"
    return Finding(
        f"build {plan.name} demands what core {core.name} does not have: {IN_WORDS[demand.needs[0]]}",
        concerned(plan.name, core.name),
        where=f"build {plan.name} ({file}), build attributes",
        found=demand.words,
        expected=f"nothing beyond core {core.name}: {core.architecture}{extensions}",
        lines=(demand.detail,) if demand.detail else (),
        follows_from=(("build-architecture-fits-core", plan.name), ("float-demands-fit-core", plan.name)),
    )
