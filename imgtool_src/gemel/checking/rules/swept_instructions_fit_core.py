"""Rule ``swept-instructions-fit-core``: what reads as code in an image alone is code for its core."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.instead_of_tables import NO_TABLE, vector_builds
from gemel.inspection.wording import needs_elf
from gemel.layout.addresses import seen_by
from gemel.layout.model import BuildPlan
from gemel.m_profile.instructions.disassembly import why_not
from gemel.m_profile.vector_tables import reserved_words
from gemel.outcomes import NOT_FOUND, Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, format_size
from gemel.structs import NamedTuple, replace

if TYPE_CHECKING:
    from gemel.m_profile.code.unmapped import UnmappedCode

FOLLOWED = (
    "less certain than with mapping symbols: code is separated from data by following branches from the vectors, "
    "so this may be data"
)
SWEPT = (
    "much less certain than with mapping symbols: no branch from the vectors leads here, the bytes only read as "
    "code, so this may well be data"
)


GAP = 1 << 16
"""Erased bytes that are not looked at: a few bytes at both ends of a large flash are as little work as they are."""


class SweptBytes(NamedTuple):
    """Bytes of a build in the image, and where its core runs the first of them."""

    span: Span
    start: int
    data: bytes


def check(inspection: Inspection) -> Iterator[Outcome]:
    """Outcomes for each build whose symbols or mapping symbols are not given, and for code areas of no build."""
    reason = why_not(inspection.disassemble)
    stretches = {}
    for plan in vector_builds(inspection.layout):
        if not needs_elf(plan.name, inspection.builds.get(plan.name), "symbols"):
            mapped = None if reason else inspection.mapped_code.get(plan.name)
            if mapped is None or mapped.sections or not mapped.unmapped:
                continue
        if plan.name not in inspection.placed:
            yield NotChecked(f"build {plan.name}", NOT_FOUND)
        elif reason:
            yield NotChecked(f"build {plan.name}", reason)
        else:
            stretches[plan] = [
                part
                for whole, start in _stretches(inspection, plan)
                for part in _written_parts(inspection, whole, start)
            ]
    parts = sum(map(len, stretches.values()))
    for plan, found in stretches.items():
        yield from _outcomes(inspection, plan, _code(inspection, plan, found, parts))
    if not reason:
        yield from _nobodys(inspection)


def _outcomes(
    inspection: Inspection, plan: BuildPlan, stretches: list[tuple[Span, UnmappedCode]]
) -> Iterator[Outcome]:
    where = f"build {plan.name} in the image"
    findings = [each for span, code in stretches for each in _findings(inspection, plan, span, code)]
    yield from findings
    for span, code in stretches:
        if code.unfinished:
            reason = "its bytes lead in more ways than are followed, as noise or a crafted image does"
            yield NotChecked(f"{where}, the rest of {span}", reason)
    if not findings:
        followed, swept, left = (
            format_size(sum(code.sizes[index] for _, code in stretches)) for index in range(3)
        )
        yield Holds(
            f"{where}: {followed} to which its vectors lead, {swept} that read as code, {left} as data"
        )


def _stretches(inspection: Inspection, plan: BuildPlan) -> Iterator[tuple[Span, int]]:
    """Where the build's code may be in the image, and where its core runs the first byte of that."""
    placed = inspection.placed[plan.name]
    yield placed.stored, placed.run_start
    for name in plan.also_stored_in:
        span = inspection.layout.span_of(name)
        if inspection.layout.areas[name].purpose == "code" and not _is_erased(inspection, span):
            yield span, seen_by(inspection.layout, span.start, plan.core)


def _written_parts(inspection: Inspection, span: Span, start: int) -> Iterator[SweptBytes]:
    """What is between erased stretches of GAP bytes and more."""
    erased = inspection.erased_byte_at(span.start)
    written = re.compile(rb"[^\x%02x]" % erased, re.DOTALL)
    for part in inspection.held_parts(span, GAP):
        first = span.start + (part.start - span.start & ~3)
        data = inspection.bytes_of(Span.from_bounds(first, part.end))
        at = 0
        while at < len(data):
            gap = data.find(bytes((erased,)) * GAP, at)
            end = len(data) if gap < 0 else gap + 3 & ~3
            if end > at:
                yield SweptBytes(Span(first + at, end - at), start + first + at - span.start, data[at:end])
            after = written.search(data, end)
            at = after.start() & ~3 if after else len(data)


def _code(
    inspection: Inspection, plan: BuildPlan, stretches: list[SweptBytes], parts: int
) -> list[tuple[Span, UnmappedCode]]:
    from gemel.m_profile.code.unmapped import unmapped_code

    entries, vectors = _vectors(inspection, plan)
    layout = inspection.layout
    areas = [layout.span_of(area.name) for area in layout.areas.values() if area.purpose == "code"]
    written = [(each, inspection.written(each)) for each in areas]
    always = [layout.span_of(each.runs_in) for each in layout.builds.values() if each.runs_in]
    always += [memory.span for memory in layout.memories.values() if memory.kind == "rom"]
    found = []
    for stretch in stretches:
        others = [*always, *(used for area, used in written if not area.overlaps(stretch.span))]
        beyond = [Span(seen_by(layout, each.start, plan.core), each.size) for each in others]
        beyond += [Span(each.start, each.span.size) for each in stretches if each is not stretch]
        beside = [each.data for each in stretches if each is not stretch]
        code = unmapped_code(stretch.data, stretch.start, entries, vectors, beyond, parts, beside)
        found.append((stretch.span, code))
    return found


def _vectors(inspection: Inspection, plan: BuildPlan) -> tuple[list[int], list[Span]]:
    """The addresses in the build's vector table, and the table; none if it is blank: all is swept then."""
    table = inspection.vector_table(plan.name)
    if table is None or inspection.starts_blank(table.span.start):
        return [], []
    skipped = reserved_words(table.core.architecture)
    words = [word for index, word in enumerate(table.words) if index and index not in skipped and word & 1]
    return words, [Span(table.placed.vector_address, 4 * len(table.words))]


def _findings(inspection: Inspection, plan: BuildPlan, span: Span, code: UnmappedCode) -> Iterator[Finding]:
    from gemel.checking.findings.lacking_instructions import lacking_findings
    from gemel.m_profile.capabilities import lacking
    from gemel.m_profile.instructions.sieve import Sieve

    core = inspection.layout.cores[plan.core]
    sieve = Sieve(lacking(core.architecture, core.extensions))
    where = f"build {plan.name} in the image, {span}"
    found = [
        *lacking_findings(plan, core, where, code.followed_places(sieve), FOLLOWED),
        *lacking_findings(plan, core, where, code.swept_places(sieve), SWEPT),
    ]
    if inspection.instead_of_tables.get(plan.name) is NO_TABLE:  # nothing says that it is a build at all
        cause = ("vector-table-not-blank", plan.name)
        found = [replace(each, follows_from=(*each.follows_from, cause)) for each in found]
    yield from found


def _nobodys(inspection: Inspection) -> Iterator[NotChecked]:
    """Code areas that hold bytes, but of no build of the layout."""
    layout = inspection.layout
    taken = {
        name
        for plan in layout.builds.values()
        for name in (plan.stored_in, *plan.also_stored_in, plan.runs_in)
    }
    for area in layout.areas.values():
        if area.purpose == "code" and area.name not in taken:
            span = layout.span_of(area.name)
            if not _is_erased(inspection, span):
                reason = "no build of the layout is stored there, so which core runs its code is not known"
                yield NotChecked(f"area {area.name}, {span}", reason)


def _is_erased(inspection: Inspection, span: Span) -> bool:
    return not inspection.written(span).size


RULE = Rule(
    name="swept-instructions-fit-core",
    severity="warning",
    guards="device",
    checks="Where a build's symbols are not given, or none of them is a mapping symbol of code, every instruction "
    "in its code areas is one that its core has: what branches and calls from its vectors lead to, and whatever "
    "else there reads as code.",
    why="An instruction that the core lacks is undefined and faults when it is reached. Without mapping symbols "
    "data may look like code, and code like data, so what is found here is worth a look and no proof, and what "
    "is not found is no proof either. Code that nothing leads to, with no code next to it, counts only where "
    "the core lacks at least four of its instructions, and half of them.",
    remedy="Check again with the build's ELF file, not stripped, which settles it; then see instructions-fit-core.",
    source="common practice; encodings of branches and which architecture has which instruction: Armv6-M, "
    "Armv7-M and Armv8-M architecture reference manuals (from memory)",
    absent="no build has to do without its symbols: instructions-fit-core looks at them",
    check=check,
)
