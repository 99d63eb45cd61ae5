"""Rule ``heap-room-free``: what is set aside as heap is neither data nor stack of the same build."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import own_ram, reserve_claims, shared_ram
from gemel.inspection.ram.reserves import Reserve, inverted_heaps, reserves_of
from gemel.inspection.wording import biggest_symbols, concerned, found_or_holds, segment_words, sized
from gemel.layout.model import BuildPlan, Layout
from gemel.outcomes import Finding, Outcome
from gemel.spans import Span, format_address, without
from gemel.structs import replace


@of_each_build("symbols")
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build whose linker script sets a heap aside."""
    heaps = [reserve for reserve in reserves_of(build) if reserve.kind == "heap"]
    findings = [
        *_inverted(plan, build),
        *(found for heap in heaps for found in _findings(inspection, plan, build, heap)),
    ]
    if heaps or findings:
        yield from found_or_holds(findings, f"build {plan.name}")


def _inverted(plan: BuildPlan, build: Build) -> Iterator[Finding]:
    for start, first, end, last in inverted_heaps(build):
        yield Finding(
            f"the heap of build {plan.name} ends before it starts",
            concerned(plan.name, plan.core),
            where=f"build {plan.name} ({build.file}), symbols {start} and {end}",
            found=f"a start of {format_address(first)}, an end of {format_address(last)}",
            expected="an end that is not below the start",
        )


def _findings(inspection: Inspection, plan: BuildPlan, build: Build, heap: Reserve) -> Iterator[Finding]:
    causes = tuple(_causes(inspection.layout, plan, build, heap))
    for found in (
        *_on_stored(plan, build, heap),
        *_on_objects(plan, build, heap),
        *_on_stacks(plan, build, heap),
    ):
        yield replace(found, follows_from=causes)


def _on_stacks(plan: BuildPlan, build: Build, heap: Reserve) -> Iterator[Finding]:
    for stack in reserves_of(build):
        common = stack.span.intersection(heap.span)
        if stack.kind == "stack" and common.size:
            yield _finding(plan, build, heap, common, f"the {stack.words}")


def _causes(layout: Layout, plan: BuildPlan, build: Build, heap: Reserve) -> Iterator[tuple[str, str]]:
    """An end so far off that the heap leaves the core's RAM, past all that is there."""
    allowed = own_ram(layout, plan.core) + shared_ram(layout)
    for claim in reserve_claims(layout, plan, build):
        if claim.reserve == heap and without([claim.plain], allowed):
            yield "ram-claims-in-own-areas", plan.name


def _on_stored(plan: BuildPlan, build: Build, heap: Reserve) -> Iterator[Finding]:
    for segment in build.stored:
        common = segment.stored_run.intersection(heap.span)
        if common.size and not _only_zeros(segment.data, common, segment.run_address):
            yield _finding(plan, build, heap, common, segment_words(build, segment))


def _only_zeros(data: bytes, span: Span, run_address: int) -> bool:
    start = span.start - run_address
    return not any(data[start : start + span.size])


def _on_objects(plan: BuildPlan, build: Build, heap: Reserve) -> Iterator[Finding]:
    """Objects that are no heap themselves and of which the file stores no bytes."""
    arrays = [
        each.span
        for each in build.all_sections
        if "heap" in each.name.lower() and heap.span.overlaps(each.span)
    ]
    stored = [segment.stored_run for segment in build.stored]
    taken = [
        symbol.span.intersection(heap.span)
        for symbol in build.all_symbols
        if symbol.kind == "object"
        and symbol.defined
        and symbol.span.overlaps(heap.span)
        and not any(span.overlaps(symbol.span) for span in stored)
        # an array that is most of a section of the heap is the heap
        and not any(each.covers(symbol.span) and 2 * symbol.size > each.size for each in arrays)
        and not any(word in symbol.name.lower() for word in ("heap", "stack", "pool"))
    ]
    if taken:
        common = Span.from_bounds(min(span.start for span in taken), max(span.end for span in taken))
        yield _finding(plan, build, heap, common, biggest_symbols(build, common))


def _finding(plan: BuildPlan, build: Build, heap: Reserve, common: Span, what: str) -> Finding:
    return Finding(
        f"the heap of build {plan.name} overlaps other memory of the same build",
        concerned(plan.name, plan.core),
        where=f"build {plan.name} ({build.file}), {heap.words}, {heap.span}",
        found=f"{sized(common)}, taken by {what}",
        expected="a heap that begins after all data and ends before the stack",
    )


RULE = Rule(
    name="heap-room-free",
    severity="error",
    guards="device",
    checks="The heap that a build sets aside, by a section or by the usual symbols, overlaps no data, no "
    "code that runs from RAM and no stack of the same build.",
    why="The first blocks that are allocated overlap variables, or the last ones overlap the stack: both "
    "sides change each other's values, and the heap's own lists are destroyed, most often long after the "
    "cause.",
    remedy="Let the heap start after the last section of data and end where the stack begins, and let the "
    "linker script assert it.",
    source="common practice (sections and symbols of heap and stack, from memory)",
    absent="no build whose symbols are given sets a heap aside",
    check=check,
    of_elf=True,
)
