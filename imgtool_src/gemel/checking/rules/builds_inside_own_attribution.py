"""Rule ``builds-inside-own-attribution``: secure builds use secure memory, others non-secure memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.checking.rule import Rule
from gemel.inspection.code.core_settings import settings_of
from gemel.inspection.cores.secure_builds import (
    SECURE,
    area_words,
    builds_of,
    states_security,
    veneer_vectors,
)
from gemel.inspection.cores.views import area_at
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, found_or_holds, in_short, lines_in_short
from gemel.layout.addresses import plain_span, starts_of
from gemel.layout.model import Area, BuildPlan
from gemel.m_profile.code.known_registers import KnownStore
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, align_down, format_address, merge, without
from gemel.structs import NamedTuple, replace


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build whose area states its security, or one finding for each span elsewhere."""
    if not states_security(inspection.layout):
        return
    astray: set[str] = set()
    for plan in builds_of(inspection.layout, *SECURE, "non-secure"):
        own = SECURE if inspection.layout.areas[plan.stored_in].security in SECURE else ("non-secure",)
        shares = ("non-secure",) if own == SECURE else ()
        used = dict.fromkeys(_used(inspection, plan))
        foreign: dict[str, list[tuple[str, Span, Area]]] = {}
        for what, span, area in used:
            if area.security and area.security not in (own if area.purpose != "shared" else (*own, *shares)):
                foreign.setdefault(area.name, []).append((what, span, area))
        yield from in_short(_finding(plan, own, each) for each in foreign.values())
        silent = {area.name: area for _, _, area in used if area.security is None}
        if foreign:
            astray.add(plan.name)
            continue
        if silent:
            names = ", ".join(silent)
            yield NotChecked(
                f"build {plan.name}", f"the layout does not say whether it is secure: area {names}"
            )
        else:
            yield Holds(f"build {plan.name}, {counted(len(used), 'span')}")
    for plan in builds_of(inspection.layout, "secure"):
        regions, on = regions_of(inspection, plan.name)
        if regions:
            where = f"build {plan.name}, {counted(len(regions), 'region')} that its code sets"
            found = _by_code(inspection, plan, regions, astray) if on else iter([_left_off(plan, regions[0])])
            yield from found_or_holds(in_short(found), where)


def _by_code(
    inspection: Inspection, secure: BuildPlan, regions: list[AttributionRegion], astray: set[str]
) -> Iterator[Finding]:
    """What the regions of the attribution unit make of the memory of the core's builds, but of those ``astray``."""
    layout = inspection.layout
    opened = [each for each in regions if not each.callable]
    outside = merge(each.span for each in opened)
    for area in layout.areas.values() if opened else ():
        starts = starts_of(layout.memories[area.memory], secure.core) if area.security == "secure" else ()
        windows = [Span(start + area.offset, area.size) for start in starts]
        used = _own(inspection, secure)
        for region, window in ((region, window) for region in opened for window in windows):
            both = region.span.intersection(window)
            # a device may divide a memory by itself, at the other address
            if both.size and (both != window or any(both.overlaps(each) for each in used)):
                what = f"code of build {secure.name} makes secure memory non-secure"
                yield _region_finding(secure, secure, what, region, both, f"area {area.name} (secure)")
    gates = [each for each in regions if each.callable]
    for vector in veneer_vectors(inspection.builds[secure.name]):
        # Of what is larger than the veneers' area, a device may make a part callable by itself.
        larger = [each.span for each in opened if each.span.size > _callable_size(inspection, vector, secure)]
        if rest := without([vector], [*(each.span for each in gates), *larger]):
            what = f"code of build {secure.name} leaves veneers out of what non-secure code may call"
            expected = f"a region that covers the veneers, {vector}"
            there = [each for each in regions if each.span.overlaps(vector)]
            yield replace(
                _region_finding(secure, secure, what, [*there, *gates, *regions][0], rest[0], expected),
                follows_from=(("veneers-in-callable-area", secure.name),),
            )
    for plan in builds_of(layout, "non-secure"):
        is_own = plan.core == secure.core and plan.name not in astray
        if is_own and opened and (rest := without(_own(inspection, plan), outside)):
            what = f"code of build {secure.name} leaves memory of build {plan.name} secure"
            expected = f"regions that cover what build {plan.name} stores and uses"
            yield _region_finding(secure, plan, what, opened[0], rest[0], expected)


def _left_off(plan: BuildPlan, region: AttributionRegion) -> Finding:
    return Finding(
        f"code of build {plan.name} sets regions of the attribution unit and leaves the unit off",
        concerned(plan.name, plan.core),
        where=f"build {plan.name}, SAU {region.words}",
        found=f"no store to its control register, {format_address(CTRL)}, that enables it: all memory is secure",
        expected="bit 0 set there before code goes on to the non-secure state",
        next_step="enable the unit once its regions are set: SAU->CTRL, ENABLE; then DSB and ISB",
    )


def _callable_size(inspection: Inspection, vector: Span, secure: BuildPlan) -> int:
    """Bytes of the area that veneers are in."""
    area = area_at(inspection.layout, vector.start, secure.core)
    return area.size if area else 0


def _own(inspection: Inspection, plan: BuildPlan) -> list[Span]:
    """What a build takes of memory, by the addresses that it uses itself."""
    build = inspection.builds.get(plan.name)
    spans = merge(span for segment in (build.segments if build else ()) for span in segment.taken)
    layout = inspection.layout
    return [each for each in spans if plain_span(layout, each, plan.core)]


def _region_finding(
    secure: BuildPlan, plan: BuildPlan, what: str, region: AttributionRegion, span: Span, expected: str
) -> Finding:
    return Finding(
        what,
        concerned(secure.name, plan.name, secure.core),
        where=f"build {secure.name}, SAU {region.words}",
        found=f"{span}",
        expected=expected,
        span=span,
        next_step="set the base and limit of the region by the linker's symbols of what the layout states, or correct "
        "the layout",
    )


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


def _finding(plan: BuildPlan, own: tuple[str, ...], of_area: list[tuple[str, Span, Area]]) -> Finding:
    """One for each area: what the build has there, and what else it does with it."""
    what, span, area = of_area[0]
    return Finding(
        f"build {plan.name} {what} memory of the other security state",
        concerned(plan.name, area.name, plan.core),
        where=f"build {plan.name}, {span}",
        found=f"{area_words(area)} from {format_address(span.start)} on",
        expected=f"areas that are {' or '.join(own)}, as area {plan.stored_in} is",
        span=span,
        lines=lines_in_short([f"{how} {place}" for how, place, _ in of_area[1:]], "place"),
        follows_from=tuple(("veneers-in-callable-area", each) for each in (area.name, plan.stored_in)),
    )


CTRL, RNR, RBAR, RLAR = 0xE000_EDD0, 0xE000_EDD8, 0xE000_EDDC, 0xE000_EDE0
REGISTERS = frozenset((CTRL, RNR, RBAR, RLAR))
"""Those of the attribution unit: Armv8-M Architecture Reference Manual (second-hand; ALLNS from memory)."""

UNIT = 32
"""Bytes; the lower five bits of a region's base and limit are not stored."""

_ENABLED, _CALLABLE = 1, 2


class AttributionRegion(NamedTuple):
    """One enabled region, non-secure or (``callable``) non-secure callable, and where code sets its end."""

    number: int
    span: Span
    callable: bool
    at: int

    @property
    def words(self) -> str:
        """``region 1, 0x1000_8000..0x1000_801F, non-secure callable``."""
        state = "non-secure callable" if self.callable else "non-secure"
        return f"region {self.number}, {self.span}, {state}, set at {format_address(self.at)}"


def regions_of(inspection: Inspection, name: str) -> tuple[list[AttributionRegion], bool]:
    """The regions that the code of a build enables, and whether the unit is on; none where a value is not known.

    The unit is off for certain where all that start-up code does was seen.
    """
    build, run = inspection.builds.get(name), inspection.start_runs.get(name)
    stores = [each for each in (run.stores if run else ()) if each.target in REGISTERS]
    if build and build.symbols and (not stores or any(each.value is None for each in stores)):
        read = [each.store for each in settings_of(build, REGISTERS) if each.store.target in REGISTERS]
        # What the run does not know may be what the register had, with bits set.
        changed = {each.at: each for each in read if each.changed}
        stores = [changed.get(each.at, each) if each.value is None else each for each in stores] or read
    regions, on = _regions(stores)
    return regions if on or (run and not run.why_not) else [], on


def _regions(stores: Iterable[KnownStore]) -> tuple[list[AttributionRegion], bool]:
    number, on = 0, False
    bases: dict[int, int] = {}
    found: dict[int, AttributionRegion] = {}
    for store in stores:
        if store.target == CTRL and (store.changed or store.value is not None):
            on = bool((store.changed.ones if store.changed else store.value or 0) & _ENABLED)
        elif store.value is None:
            return [], False
        elif store.target == RNR:
            number = store.value & 0xFF
        elif store.target == RBAR:
            bases[number] = align_down(store.value, UNIT)
        elif store.value & _ENABLED and number in bases:
            end = align_down(store.value, UNIT) + UNIT
            if end > bases[number]:
                span = Span.from_bounds(bases[number], end)
                found[number] = AttributionRegion(number, span, bool(store.value & _CALLABLE), store.at)
        else:
            found.pop(number, None)
    return list(found.values()), on


RULE = Rule(
    name="builds-inside-own-attribution",
    severity="error",
    guards="device",
    checks="The memory in which a build is stored, from which it runs and which it uses at run time, its initial "
    "stack included, is in secure areas for a secure build and in non-secure areas for a non-secure one; what a "
    "secure build shares may be in a non-secure area too; the regions of the attribution unit, as far as code of the "
    "secure build shows them, cover what a non-secure build takes and all veneers, and no part of a secure area.",
    why="A non-secure build that touches secure memory faults at the first access. A secure build whose "
    "data or stack are in non-secure memory works, and exposes its secrets and return addresses to any code "
    "that reads there.",
    remedy="Link the build for areas of its own security state, or correct what the layout or the code states.",
    source="common practice; the rule that non-secure code cannot reach secure memory: Armv8-M "
    "architecture reference manual (from memory)",
    absent="the layout states the security of no build's area",
    check=check,
    only_with="security",
)
