"""Rule ``secure-entries-agree``: a non-secure build calls gateways where the secure build has them."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.builds.elf.symbol_entries import Symbol
from gemel.checking.rule import Rule
from gemel.inspection.code.far_accesses import FarAccess, calls_of
from gemel.inspection.cores.secure_builds import (
    SECURE,
    area_words,
    builds_of,
    gateways_of,
    imported,
    states_security,
)
from gemel.inspection.cores.views import area_at
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, found_or_holds, lines_in_short, needs_elf
from gemel.layout.addresses import starts_of
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, NotChecked, Outcome, Reason
from gemel.spans import Span, format_address
from gemel.structs import replace


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each non-secure build that calls secure ones, or one finding for all addresses that are wrong."""
    layout = inspection.layout
    secure = builds_of(layout, *SECURE) if states_security(layout) else []
    callers = builds_of(layout, "non-secure")
    if not secure or not callers:
        return
    lacking = [
        reason
        for plan in secure
        if (reason := needs_elf(plan.name, inspection.builds.get(plan.name), "symbols"))
    ]
    offered: dict[str, tuple[int | None, str]] = {}
    for plan in secure:
        build = inspection.builds.get(plan.name)
        for gateway in gateways_of(build) if build else ():
            offered[gateway.name] = (gateway.address, plan.name)
    for plan in callers:
        caller = inspection.builds.get(plan.name)
        reasons = [*lacking, *filter(None, [needs_elf(plan.name, caller, "symbols")])]
        if caller is None or reasons:
            yield NotChecked(f"build {plan.name}", Reason.joined(reasons))
            continue
        called = [symbol for symbol in imported(caller) if _is_entry(inspection, plan, symbol, offered)]
        numbers = _numbers(inspection, plan, caller, {each.address for each in called}, offered)
        if called or numbers:
            where = f"build {plan.name}, {counted(len(called), 'function')} of secure builds"
            found = [*_findings(inspection, plan, caller.file, called, offered), *numbers]
            yield from found_or_holds(found, where)


def _numbers(
    inspection: Inspection,
    plan: BuildPlan,
    caller: Build,
    known: set[int],
    offered: dict[str, tuple[int | None, str]],
) -> list[Finding]:
    """One finding for all calls of secure memory at addresses where no gateway is, and that are no function's."""
    layout = inspection.layout
    places = [
        Span(start + area.offset, area.size)
        for area in layout.areas.values()
        if area.security in SECURE
        for start in starts_of(layout.memories[area.memory], plan.core)
    ]
    gates = known | {address for address, _ in offered.values()}

    def is_wrong(target: int) -> bool:
        return target not in gates and any(place.holds(target) for place in places)

    wrong = calls_of(caller, inspection.mapped_code.get(plan.name), is_wrong) if places else []
    if not wrong:
        return []
    words = [_call_words(inspection, plan, caller, each) for each in wrong]
    owners = [each.name for each in builds_of(layout, *SECURE)]
    return [
        Finding(
            f"code of build {plan.name} calls secure memory where no gateway is",
            concerned(plan.name, *owners, plan.core),
            where=f"build {plan.name} ({caller.file}), at {format_address(wrong[0].at)}",
            found=words[0],
            expected=f"the gateway of one of what build {', '.join(owners)} offers: "
            f"{', '.join(sorted(offered)) or 'nothing'}",
            span=Span(wrong[0].at, 2),
            lines=lines_in_short(words[1:], "call"),
        )
    ]


def _call_words(inspection: Inspection, plan: BuildPlan, caller: Build, call: FarAccess) -> str:
    """``keeper_add at 0x1000_0124, in area keeper-code (secure)``, by the name that the secure build has for it."""
    names = [
        function[0].name
        for each in builds_of(inspection.layout, *SECURE)
        if (build := inspection.builds.get(each.name)) and build.symbols
        if (function := build.symbols.function_at(call.target))
    ]
    area = area_words(area_at(inspection.layout, call.target, plan.core))
    inside = caller.function_at(call.at)
    return (
        f"{names[0] + ' at ' if names else ''}{format_address(call.target)}, in {area}"
        f"{f', called in {inside[0].name}' if inside else ''}"
    )


def _is_entry(
    inspection: Inspection, plan: BuildPlan, symbol: Symbol, offered: dict[str, tuple[int | None, str]]
) -> bool:
    """Whether an absolute function is one of a secure build: by its name, or by where it is."""
    area = area_at(inspection.layout, symbol.address, plan.core)
    return symbol.name in offered or (area is not None and area.security in SECURE)


def _findings(
    inspection: Inspection,
    plan: BuildPlan,
    file: str,
    called: list[Symbol],
    offered: dict[str, tuple[int | None, str]],
) -> Iterator[Finding]:
    names = sorted({name for _, name in offered.values()}) or [
        each.name for each in builds_of(inspection.layout, *SECURE)
    ]
    wrong = []
    for symbol in called:
        area = area_words(area_at(inspection.layout, symbol.address, plan.core))
        address, owner = offered.get(symbol.name, (None, ""))
        found = f"{symbol.name} at {format_address(symbol.address)}, in {area}"
        where = f"build {plan.name} ({file}), absolute symbol {symbol.name}"
        parties = concerned(plan.name, owner, *([] if owner else names), plan.core)
        if address is None:
            wrong.append(
                Finding(
                    f"build {plan.name} is linked with a secure function that no secure build offers",
                    parties,
                    where=where,
                    found=found,
                    expected=f"one of what build {', '.join(names)} offers: {', '.join(sorted(offered)) or 'nothing'}",
                )
            )
        elif address != symbol.address:
            there = next((name for name, (at, _) in offered.items() if at == symbol.address), None)
            wrong.append(
                Finding(
                    f"build {plan.name} calls the secure function {symbol.name} at an address where it is not",
                    parties,
                    where=where,
                    found=found
                    + (f", where the gateway of {there} is" if there else ", where no gateway is"),
                    expected=f"{format_address(address)}, its gateway in build {owner}",
                )
            )
    if len(wrong) > 1:
        lines = [f"{each.found}; expected {each.expected}" for each in wrong[1:]]
        what = (
            f"build {plan.name} is linked with another import library than that of build {', '.join(names)}"
        )
        yield replace(wrong[0], what=what, lines=lines_in_short(lines, "function"))
    else:
        yield from wrong


RULE = Rule(
    name="secure-entries-agree",
    severity="error",
    guards="device",
    checks="Each secure function that a non-secure build was linked with, an absolute symbol from the "
    "import library, is one that a secure build offers, at the address of its gateway there, and its code calls no "
    "other address in secure memory.",
    why="With a stale import library the non-secure build calls where a gateway used to be: it enters "
    "another function with the wrong arguments, or faults where there is none. Both builds link without a "
    "warning.",
    remedy="Link the non-secure build again with the import library of this secure build; keep the "
    "addresses over releases with --in-implib when linking the secure one.",
    source='CMSE 1.4, chapter "CMSE support", requirement 8 (import library) and requirements 43 to 45',
    absent="no two builds of the layout are stored in a secure and a non-secure area, or none calls the "
    "other",
    check=check,
    only_with="security",
)
