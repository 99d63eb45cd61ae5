"""Rule ``builds-inside-own-attribution``: secure builds use secure memory, others non-secure memory."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.cores.secure_builds import SECURE, area_words, builds_of, states_security
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, in_short
from gemel.layout.addresses import plain_span
from gemel.layout.model import Area, BuildPlan
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_address


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build whose area states its security, or one finding for each span elsewhere."""
    if not states_security(inspection.layout):
        return
    for plan in builds_of(inspection.layout, *SECURE, "non-secure"):
        own = SECURE if inspection.layout.areas[plan.stored_in].security in SECURE else ("non-secure",)
        shares = ("non-secure",) if own == SECURE else ()
        used = dict.fromkeys(_used(inspection, plan))
        foreign = [
            (what, span, area)
            for what, span, area in used
            if area.security and area.security not in (own if area.purpose != "shared" else (*own, *shares))
        ]
        yield from in_short(_finding(plan, own, *each) for each in foreign)
        silent = {area.name: area for _, _, area in used if area.security is None}
        if foreign:
            continue
        if silent:
            names = ", ".join(silent)
            yield NotChecked(
                f"build {plan.name}", f"the layout does not say whether it is secure: area {names}"
            )
        else:
            yield Holds(f"build {plan.name}, {counted(len(used), 'span')}")


def _used(inspection: Inspection, plan: BuildPlan) -> Iterator[tuple[str, Span, Area]]:
    """What a build uses and how, with the area: its areas, what its segments take, its initial stack."""
    layout = inspection.layout
    for name in (plan.stored_in, *plan.also_stored_in, *([plan.runs_in] if plan.runs_in else [])):
        yield "has", layout.span_of(name), layout.areas[name]
    build = inspection.builds.get(plan.name)
    for segment in build.segments if build else ():
        for span in segment.taken:
            yield from _in_areas(inspection, plan, "uses", span)
    if table := inspection.vector_table(plan.name):
        yield from _in_areas(inspection, plan, "starts its stack in", Span((table.words[0] & ~3) - 4, 4))


def _in_areas(
    inspection: Inspection, plan: BuildPlan, what: str, seen: Span
) -> Iterator[tuple[str, Span, Area]]:
    plain = plain_span(inspection.layout, seen, plan.core) if seen.start >= 0 else None
    for area in inspection.layout.areas.values() if plain else ():
        common = inspection.layout.span_of(area.name).intersection(plain or seen)
        if common.size:
            yield what, common, area


def _finding(plan: BuildPlan, own: tuple[str, ...], what: str, span: Span, area: Area) -> Finding:
    return Finding(
        f"build {plan.name} {what} memory of the other security state",
        concerned(plan.name, area.name, plan.core),
        where=f"build {plan.name}, {span}",
        found=f"{area_words(area)} from {format_address(span.start)} on",
        expected=f"areas that are {' or '.join(own)}, as area {plan.stored_in} is",
        span=span,
    )


RULE = Rule(
    name="builds-inside-own-attribution",
    severity="error",
    guards="device",
    checks="The memory in which a build is stored, from which it runs and which it uses at run time, its initial "
    "stack included, is in secure areas for a secure build and in non-secure areas for a non-secure one; what a "
    "secure build shares may be in a non-secure area too.",
    why="A non-secure build that touches secure memory faults at the first access. A secure build whose "
    "data or stack are in non-secure memory works, and exposes its secrets and return addresses to any code "
    "that reads there.",
    remedy="Link the build for areas of its own security state, or correct what the layout states.",
    source="common practice; the rule that non-secure code cannot reach secure memory: Armv8-M "
    "architecture reference manual (from memory)",
    absent="the layout states the security of no build's area",
    check=check,
    only_with="security",
)
