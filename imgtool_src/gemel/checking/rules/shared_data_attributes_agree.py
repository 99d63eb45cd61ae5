"""Rule ``shared-data-attributes-agree``: builds that share data keep the same conventions for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType

from gemel.builds.build import Build
from gemel.builds.dwarf.types import Basic, Enumeration
from gemel.checking.contract.data_conventions import (
    ALIGNMENT,
    ENUMERATIONS,
    HALF_PRECISION,
    Differing,
    differing_conventions,
)
from gemel.checking.findings.build_evidence import builds_that_state
from gemel.checking.rule import Rule
from gemel.inspection.contract.parties import parties
from gemel.inspection.contract.shared_objects import (
    SharedTypes,
    of_one_side,
    reached,
    shared_areas,
    shared_objects,
    shared_types,
    uses_shared_area,
)
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Holds, NotChecked, Outcome


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build that shares data with the first one that does."""
    plans = parties(inspection.layout)
    if len(plans) < 2 or not shared_areas(inspection.layout):
        return
    sharing: list[tuple[BuildPlan, Build]] = []
    for stated in builds_that_state(inspection, "build attributes", plans):
        if isinstance(stated, NotChecked):
            yield stated
        elif uses_shared_area(inspection, *stated):
            sharing.append(stated)
    for plan, build in sharing[1:]:
        yield from _pair(inspection, sharing[0], (plan, build))


def _pair(
    inspection: Inspection, first: tuple[BuildPlan, Build], other: tuple[BuildPlan, Build]
) -> Iterator[Outcome]:
    where = f"builds {first[0].name} and {other[0].name}"
    attributes = first[1].attributes, other[1].attributes
    if attributes[0] is None or attributes[1] is None:
        return
    differing = list(differing_conventions(attributes[0], attributes[1]))
    if not differing:
        yield Holds(where)
        return
    known = [shared_types(inspection, *each) for each in (first, other)]
    described = [each for each in known if not each.reason]
    reason = next((each.reason for each in known if each.reason), "")
    if alone := of_one_side(*(shared_objects(inspection.layout, *each) for each in (first, other))):
        reason = reason or f"only one of the builds has {alone} there, so that it is compared with nothing"
    open_ones = [
        each
        for each in differing
        if (each.tag == HALF_PRECISION or reason) and (alone or _may_reach(each.tag, described))
    ]
    for each in open_ones:
        yield _finding(inspection, first, other, each, reason)
    if not open_ones:
        what = ", ".join(each.what for each in differing)
        why = (
            "nothing that they share is such data"
            if reason
            else "every type that they share is compared exactly"
        )
        yield Holds(f"{where}: they differ in {what}, and {why}")


def _may_reach(tag: int, described: list[SharedTypes]) -> bool:
    """Whether what is shared may hold data of a convention, by the builds whose types of it are all known."""
    return (
        tag not in _IS_OF
        or not described
        or any(
            _IS_OF[tag](each.types.type_at(reference))
            for each in described
            if each.types
            for reference in reached(each.types, each.references)
        )
    )


_IS_OF: Mapping[int, Callable[[object], bool]] = MappingProxyType(
    {
        ENUMERATIONS: lambda found: isinstance(found, Enumeration),
        ALIGNMENT: lambda found: isinstance(found, Basic) and (found.size or 8) >= 8,
        HALF_PRECISION: lambda found: (
            isinstance(found, Basic) and found.encoding == "float" and found.size == 2
        ),
    }
)
"""Whether a type is one that a convention is about; no type shows whether it is wchar_t."""


def _finding(
    inspection: Inspection,
    first: tuple[BuildPlan, Build],
    other: tuple[BuildPlan, Build],
    differing: Differing,
    reason: str,
) -> Finding:
    plan, build = other
    areas = [area.name for area in shared_areas(inspection.layout)]
    return Finding(
        f"builds {first[0].name} and {plan.name} differ in the {differing.what}",
        concerned(plan.name, first[0].name, plan.core, first[0].core, *areas),
        where=f"build attributes of {first[1].file} and {build.file}, area {', '.join(areas)}",
        found=f"{differing.right} in build {plan.name}",
        expected=f"{differing.left} as in build {first[0].name}",
        next_step="build both with the same option, or name what is shared in a contract and keep debug "
        "information, so that it is compared type by type",
        lines=(
            (f"whether it reaches what is shared is not known: {reason}",)
            if reason
            else ("what is shared holds numbers of this format, which have one size in both",)
        ),
    )


RULE = Rule(
    name="shared-data-attributes-agree",
    severity="warning",
    guards="device",
    checks="Two builds that both have data in shared areas agree on the size of enumerations and of wchar_t, the "
    "alignment of 8-byte data and the format of 16-bit floating point, unless the debug information of both "
    "shows every shared type exactly, or that of one shows that nothing shared is such data.",
    why="These are choices of each compiler's options. An enumeration of one byte on one side and four on "
    "the other moves every member after it, and a number in the other 16-bit format is read as another "
    "number.",
    remedy="Build both sides with the same options, or share only types of fixed width.",
    source="ADDENDA32 2025Q4, section Public (aeabi) attribute tags: ABI_enum_size, ABI_PCS_wchar_t, "
    "ABI_align_needed, ABI_FP_16bit_format; values of one tag that exclude one another are an error",
    absent="no two builds have data in shared areas",
    check=check,
    only_with="shared areas",
    of_elf=True,
)
