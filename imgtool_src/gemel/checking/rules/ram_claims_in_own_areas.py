"""Rule ``ram-claims-in-own-areas``: a build takes RAM only where its core owns it or all share it."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.contract.parties import DefinedSymbol, defined_symbol
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import (
    Claim,
    claims_of,
    own_ram,
    owned_areas,
    reserve_claims,
    shared_ram,
    unallocated_claims,
)
from gemel.inspection.ram.unstored import KEPT, named_as, unstored_sections
from gemel.inspection.wording import (
    as_one,
    biggest_symbols,
    claim_words,
    concerned,
    in_short,
    owners_of,
    sections_in,
    sized,
    taken_lines,
)
from gemel.layout.addresses import locate, seen_by
from gemel.layout.model import Area, BuildPlan, Layout
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.spans import Span, format_address, without
from gemel.structs import replace

KEPT_IN_FLASH = (*KEPT, "settings", "eeprom", "nvm", "nvs", "config", "storage", "calib", "param")
"""Parts of names of sections that a device writes at run time, in flash too; common practice."""


@of_each_build("RAM use")
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build, one finding for each piece of memory that it should not take."""
    where = f"build {plan.name}"
    if findings := list(in_short(_findings(inspection, plan, build))):
        yield from findings
    elif _owner_unknown(inspection.layout, plan, build):
        yield NotChecked(
            where,
            Reason(
                f"needs the RAM that the core owns: ram in [core.{plan.core}] of the layout",
                Need("layout", f"core.{plan.core}.ram"),
            ),
        )
    else:
        yield Holds(where)


def _owner_unknown(layout: Layout, plan: BuildPlan, build: Build) -> bool:
    """Whether the build takes RAM and the layout does not say what RAM its core owns."""
    return not layout.cores[plan.core].ram and any(_astray(layout, plan, build))


def _astray(layout: Layout, plan: BuildPlan, build: Build) -> Iterator[tuple[Claim, Span, Area | None]]:
    """Each piece of claimed RAM that the core does not own and nobody shares, with the area it is in."""
    allowed = own_ram(layout, plan.core) + shared_ram(layout)
    unallocated = list(unallocated_claims(layout, plan, build))
    for claim in (*claims_of(layout, plan, build), *unallocated):
        rest = without([claim.plain], allowed) if claim.in_ram else []
        for area in layout.areas.values() if rest else ():
            span = layout.span_of(area.name)
            yield from ((claim, piece.intersection(span), area) for piece in rest if piece.overlaps(span))
            rest = without(rest, [span])
        yield from ((claim, piece, None) for piece in rest if claim not in unallocated)


def _findings(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Finding]:
    layout = inspection.layout
    astray: dict[str, list[Finding]] = {}
    groups_of: dict[Span, str] = {}
    for claim, span, area in _astray(layout, plan, build):
        if area or layout.cores[plan.core].ram:
            found = _foreign(layout, plan, build, claim, span, area, _others_there(inspection, plan, span))
            causes = tuple(_causes(inspection, plan, build, claim))
            group = groups_of.setdefault(claim.seen, area.name if area else "")
            astray.setdefault(group, []).append(replace(found, follows_from=causes))
    own, shared = own_ram(layout, plan.core), shared_ram(layout)
    at_home = any(each.overlaps(claim.plain) for claim in claims_of(layout, plan, build) for each in own)
    groups = [*astray.values()] if at_home else [[found for group in astray.values() for found in group]]
    yield from (as_one(each, "claim") for each in groups if each)
    elsewhere: dict[str, list[Finding]] = {}
    rooms = [each.plain for each in reserve_claims(layout, plan, build)]
    for claim in (*claims_of(layout, plan, build), *_left_out_of_flash(layout, plan, build)):
        if not claim.in_ram:
            if not _is_room(build, claim):
                memory = claim.memory.name if claim.memory else ""
                elsewhere.setdefault(memory, []).append(_no_ram(layout, plan, build, claim))
            continue
        rest = without([claim.plain], shared)
        if (
            claim.reserve is None
            and rest
            and not without(rest, own)
            and without([claim.plain], [*rest, *rooms])
        ):
            yield _runs_over(layout, plan, build, claim)
    yield from (as_one(each, "claim") for each in elsewhere.values())
    for claim in reserve_claims(layout, plan, build):
        if any(each.overlaps(claim.seen) for each in groups_of):
            continue
        for span in (common for each in shared if (common := each.intersection(claim.plain)).size):
            yield _in_shared(layout, plan, build, claim, span)


def _left_out_of_flash(layout: Layout, plan: BuildPlan, build: Build) -> Iterator[Claim]:
    """Sections of objects in flash that the file has no bytes for, between others of a segment."""
    for section in unstored_sections(build):
        segment = build.segment_at_run(section.span.start)
        located = locate(layout, section.span.start, plan.core)
        if (
            segment
            and segment.stored_run.covers(section.span)
            and located
            and located.memory.holds_image
            and build.symbols
            and any(each.kind == "object" for each in build.symbols.objects_in(section.span))
        ):
            yield Claim(segment, section.span, located.memory, Span(located.plain, section.span.size))


def _is_room(build: Build, claim: Claim) -> bool:
    """Whether sections with nothing of an object file, or named for what a device keeps, set aside room in flash."""
    if claim.memory is None or not claim.memory.holds_image or build.symbols is None:
        return False
    sections = [section for section in unstored_sections(build) if section.span.overlaps(claim.seen)]
    return bool(sections) and all(
        named_as(KEPT_IN_FLASH, section.name)
        or not (
            any(each.kind == "object" for each in build.symbols.objects_in(section.span))
            or build.symbols.marks.get(section.number)
        )
        for section in sections
    )


def _expected(layout: Layout, plan: BuildPlan) -> str:
    names = [*layout.cores[plan.core].ram]
    names += [
        each.runs_in for each in layout.builds_of(plan.core) if each.runs_in and each.runs_in not in names
    ]
    names += [
        area.name for area in layout.areas.values() if area.purpose == "shared" and area.name not in names
    ]
    listed = ", ".join(_area_words(layout, plan.core, name) for name in names)
    return f"inside {listed}" if listed else "no RAM, since the layout gives the core none"


def _area_words(layout: Layout, core: str, area: str) -> str:
    span = layout.span_of(area)
    seen = seen_by(layout, span.start, core)
    return f"{area} {span}" + (f" (seen at {format_address(seen)})" if seen != span.start else "")


def _seen(claim: Claim, span: Span) -> Span:
    """``span`` (plain) as the build's core sees it."""
    return span.moved(claim.seen.start - claim.plain.start)


def _found(claim: Claim, plan: BuildPlan, span: Span) -> str:
    seen = _seen(claim, span)
    return (
        sized(span)
        if seen == span
        else f"{sized(span)}, which core {plan.core} sees at {format_address(seen.start)}"
    )


def _symbol_lines(build: Build, seen: Span) -> tuple[str, ...]:
    symbols, sections = biggest_symbols(build, seen), sections_in(build, seen)
    return tuple(
        f"{what} of build {build.name} there: {names}"
        for what, names in (("sections", sections), ("largest objects", symbols))
        if names
    )


def _others_there(inspection: Inspection, plan: BuildPlan, span: Span) -> tuple[str, ...]:
    """What the builds of other cores have in the same place: ram-claims-apart leaves it to this rule."""
    others = [(each, inspection.builds.get(each.name)) for each in inspection.layout.builds.values()]
    return tuple(
        line
        for other, build in others
        if build and other.core != plan.core and not build.reason_for("RAM use")
        for line in taken_lines(inspection.layout, other, build, span)
    )


def _foreign(
    layout: Layout,
    plan: BuildPlan,
    build: Build,
    claim: Claim,
    span: Span,
    area: Area | None,
    others: tuple[str, ...],
) -> Finding:
    words, owners = owners_of(layout, area) if area else ("", ())
    place = f"in area {area.name}, {words}" if area else "that belongs to no area"
    memory = claim.memory.name if claim.memory else ""
    return Finding(
        f"build {plan.name} uses RAM {place}",
        concerned(plan.name, plan.core, area.name if area else "", memory, *owners),
        where=claim_words(build, claim),
        found=_found(claim, plan, span),
        expected=_expected(layout, plan),
        span=span,
        lines=(*_symbol_lines(build, _seen(claim, span)), *others),
    )


def _causes(inspection: Inspection, plan: BuildPlan, build: Build, claim: Claim) -> Iterator[tuple[str, str]]:
    """The reset handler is in it, so all code is linked for there; or what a contract names is."""
    if build.entry is not None and claim.seen.holds(build.entry & ~1):
        yield "reset-handler-in-code", plan.name
    for contract in inspection.layout.contracts.values():
        for name in contract.symbols:
            symbol = defined_symbol(inspection, plan, name)
            if isinstance(symbol, DefinedSymbol) and claim.seen.holds(symbol.symbol.address):
                yield "contract-symbols-agree", f"contract {contract.name}, {name}"


def _runs_over(layout: Layout, plan: BuildPlan, build: Build, claim: Claim) -> Finding:
    shared = [
        area.name
        for area in layout.areas.values()
        if area.purpose == "shared" and layout.span_of(area.name).overlaps(claim.plain)
    ]
    return Finding(
        f"one segment of build {plan.name} runs from its own RAM into what is shared",
        concerned(plan.name, plan.core, *shared),
        where=claim_words(build, claim),
        found=_found(claim, plan, claim.plain),
        expected=_expected(layout, plan),
        span=claim.plain,
        next_step=_step_for(build),
        lines=_symbol_lines(build, claim.seen),
    )


def _step_for(build: Build) -> str:
    if build.sections is None:
        return (
            "give the file with its section headers, which show gaps in a segment; or give what is shared a "
            "segment of its own"
        )
    return "give what is shared a section of its own, after all that is cleared or initialised at the start"


def _in_shared(layout: Layout, plan: BuildPlan, build: Build, claim: Claim, span: Span) -> Finding:
    areas = [
        area.name
        for area in layout.areas.values()
        if area.purpose == "shared" and layout.span_of(area.name).overlaps(span)
    ]
    kind = claim.reserve.kind if claim.reserve else ""
    own = ", ".join(_area_words(layout, plan.core, name) for name in owned_areas(layout, plan.core))
    return Finding(
        f"build {plan.name} has its {kind} in RAM that the cores share",
        concerned(plan.name, plan.core, *areas),
        where=claim_words(build, claim),
        found=_found(claim, plan, span),
        expected=f"inside {own}" if own else "RAM of its own",
        span=span,
        next_step=f"place the {kind} in RAM that core {plan.core} owns",
    )


def _never_stored(build: Build, claim: Claim) -> str:
    """Which sections of constants have no bytes in the file, and what to take out; empty if none has."""
    names = [
        section.name
        for section in build.all_sections
        if section.allocated and not section.stored and section.span.overlaps(claim.seen)
    ]
    if not names:
        return ""
    return (
        f"section{'s' if len(names) > 1 else ''} {', '.join(names[:4])} has no bytes in the file: take (NOLOAD) out of "
        "the linker script, or place it in RAM"
    )


def _no_ram(layout: Layout, plan: BuildPlan, build: Build, claim: Claim) -> Finding:
    parties = concerned(plan.name, plan.core)
    where = claim_words(build, claim)
    if claim.memory and claim.reserve:
        kind = claim.reserve.kind
        return Finding(
            f"build {plan.name} has its {kind} in {claim.memory.words}, which is no RAM",
            concerned(*parties, claim.memory.name),
            where=where,
            found=sized(claim.seen),
            expected=_expected(layout, plan),
            span=claim.plain,
            next_step=f"place the {kind} in RAM that core {plan.core} owns",
        )
    if claim.memory:
        return Finding(
            f"build {plan.name} takes {claim.memory.words} as if it were RAM",
            concerned(*parties, claim.memory.name),
            where=where,
            found=f"{sized(claim.seen)}, cleared at the start or never stored",
            expected=_expected(layout, plan),
            span=claim.plain,
            next_step=_never_stored(build, claim),
            lines=_symbol_lines(build, claim.seen),
        )
    lines = []
    if located := locate(layout, claim.seen.start):
        start = format_address(located.memory.views.get(plan.core, located.memory.start))
        memory = located.memory.words
        lines.append(f"others see {memory} there; core {plan.core} sees it at {start}")
    return Finding(
        f"build {plan.name} uses memory where core {plan.core} sees none",
        parties,
        where=where,
        found=sized(claim.seen),
        expected=_expected(layout, plan),
        span=claim.seen,
        next_step="link it for the addresses that its core sees, or add the memory or its view to the layout",
        lines=(*lines, *_symbol_lines(build, claim.seen)),
    )


RULE = Rule(
    name="ram-claims-in-own-areas",
    severity="error",
    guards="device",
    checks="The memory that each segment of a build, its heap and its stack take at run time, as its core "
    "sees it, is in RAM that this core owns or in the area that the build is copied to; a segment, or a "
    "section in one, may be as a whole in shared areas.",
    why="A build that uses RAM outside its own overwrites the other core's data, stack or copied code, or "
    "memory that does not exist on the device, where every access faults. Data that runs over into a "
    "shared area is cleared by one core's start after the other has filled it.",
    remedy="Correct the RAM regions of the build's linker script to what the layout gives its core, or the "
    "layout.",
    source="System V gABI, chapter 7, program header, p_vaddr and p_memsz, and chapter 4, section header, "
    "sh_addr and sh_size (for gaps in a segment); common practice (sections and "
    "symbols of heap and stack; their usual names from memory)",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
