"""Rule ``start-clears-own-ram``: start-up code clears nothing that is shared, stored or another core's."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from gemel.checking.findings.start_blocks import block_outcomes, block_place
from gemel.checking.findings.start_reach import misplaced, written_lines
from gemel.checking.rule import Rule
from gemel.inspection.contract.shared_objects import shared_areas
from gemel.inspection.contract.shared_starts import shared_starts
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import claims_of, own_ram, shared_ram
from gemel.inspection.ram.unstored import sections_outside, unstored_sections
from gemel.inspection.ram.windows import parts_of, windows_of
from gemel.inspection.start_up.started import release_write
from gemel.inspection.start_up.tables import BY_SYMBOLS, StartEntry
from gemel.inspection.wording import concerned, segment_words, sized
from gemel.layout.addresses import plain_span
from gemel.layout.model import BuildPlan, Layout
from gemel.m_profile.execution.start_run import MIN_ZEROED
from gemel.outcomes import Finding, Outcome, Reason
from gemel.placement.placing import Placement
from gemel.spans import Span, format_address, merge, without

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.builds.elf.section_table import Section
    from gemel.builds.segment import Segment
    from gemel.m_profile.execution.start_run import StartRun


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build whose symbols show what its start-up code clears."""
    yield from block_outcomes(inspection, _findings, "clears")
    for name, run in inspection.start_runs.items():
        if run and inspection.layout.cores[inspection.placements[name].plan.core].role != "primary":
            yield from _wiped_out(inspection, inspection.placements[name], run)
            yield from _anothers(inspection, inspection.placements[name], run)


def _wiped_out(inspection: Inspection, placement: Placement, run: StartRun) -> Iterator[Finding]:
    """What other builds bring or write for a secondary, and its code clears in shared areas by no known block."""
    plan, layout = placement.plan, inspection.layout
    known = [each.span for each in inspection.start_blocks[plan.name].clears]
    copied = [each.span for each in run.copies]
    cleared = _plain(layout, plan, without(run.written, [*known, *copied]))
    always = _plain(layout, plan, without(run.always, known))
    asked = _plain(layout, plan, [Span(at, 4) for at in run.asked])
    for name, other in layout.builds.items():
        build = inspection.builds.get(name)
        if build is None or other.core == plan.core:
            continue
        starts = [each.span for each in shared_starts(layout, other, build)]
        written = without(_written_before(inspection, other, plan), asked)
        for area in shared_areas(layout):
            place = layout.span_of(area.name)
            lost, before = _in_common(cleared, _in_common(starts, [place]), MIN_ZEROED), ""
            if not lost:
                wiped = _in_common(always, [place], MIN_ZEROED)
                lost = [each for each in wiped if _in_common(written, [each])]
                before = ", ".join(map(str, merge(_in_common(written, lost))))
            if lost:
                yield Finding(
                    f"start-up code of build {plan.name} clears what build {name} has initialised",
                    concerned(plan.name, plan.core, area.name, name),
                    where=f"build {plan.name} ({placement.build.file}), its start-up code as it runs",
                    found=f"clears {sized(lost[0])}, in area {area.name}"
                    + (
                        f"; {before} is written before build {name} releases core {plan.core}"
                        if before
                        else ""
                    ),
                    expected=f"shared memory as build {name} initialises it",
                    next_step=f"leave area {area.name} out of what the start-up code of build {plan.name} clears",
                )


def _plain(layout: Layout, plan: BuildPlan, spans: Iterable[Span]) -> list[Span]:
    return [each for span in spans if (each := plain_span(layout, span, plan.core))]


def _in_common(spans: Iterable[Span], others: list[Span], least: int = 1) -> list[Span]:
    both = (span.intersection(each) for span in spans for each in others)
    return [each for each in both if each.size >= least]


def _written_before(inspection: Inspection, other: BuildPlan, released: BuildPlan) -> list[Span]:
    """The words that are not 0, by code of a build, when it releases the core of another one; plain."""
    run, release = inspection.start_runs.get(other.name), inspection.layout.cores[released.core].release
    write = release_write(release) if release else None
    words = sorted(at for watched, at in run.held if watched == write) if run else []
    return _plain(inspection.layout, other, [Span(at, 4) for at in words])


def _anothers(inspection: Inspection, placement: Placement, run: StartRun) -> Iterator[Finding]:
    """What a secondary's code clears by no known block, whatever devices answer, of RAM and flash of other cores."""
    plan, layout = placement.plan, inspection.layout
    known = [each.span for each in inspection.start_blocks[plan.name].clears]
    claimed = [claim.plain for claim in claims_of(layout, plan, placement.build)]
    cleared = [
        part.plain
        for span in without(run.always, known)
        for part in parts_of(span, windows_of(layout, plan.core))
        if part.memory
    ]
    for core in layout.cores:
        others = [
            *without(own_ram(layout, core), [*own_ram(layout, plan.core), *shared_ram(layout), *claimed]),
            *(placed.stored for placed in inspection.placed.values() if placed.core == core),
        ]
        lost = [both for each in cleared for span in others if (both := each.intersection(span)).size]
        if core == plan.core or all(each.size < MIN_ZEROED for each in lost):
            continue
        yield Finding(
            f"start-up code of build {plan.name} clears memory of core {core}",
            concerned(plan.name, plan.core, core),
            where=f"build {plan.name} ({placement.build.file}), its start-up code as it runs",
            found=f"clears {', '.join(map(sized, lost))}",
            expected=f"inside {', '.join(map(str, own_ram(layout, plan.core))) or 'RAM that it owns'}",
            span=lost[0],
            follows_from=(("code-uses-own-memory", plan.name),),
        )


def _findings(inspection: Inspection, placement: Placement, entry: StartEntry) -> Iterator[Finding]:
    for segment in (piece.segment for piece in placement.pieces):
        stored = segment.stored_run.intersection(entry.span)
        if stored.size:
            yield _clears_stored(placement, entry, stored, segment)
    spans = [entry.span]
    if inspection.layout.cores[placement.plan.core].role == "primary":
        spans = _not_shared(inspection, placement, entry)  # no other core runs yet
    found = list(misplaced(inspection, placement, entry, spans, "clears"))
    yield from found or _clears_stack(inspection, placement, entry)


def _clears_stack(inspection: Inspection, placement: Placement, entry: StartEntry) -> Iterator[Finding]:
    """A block by symbols that reaches over the end of all sections, to the stack that the core starts with.

    A stack inside of what is cleared is usual: nothing is on it yet.  One that the sections do not hold shows that
    the end is wrong.
    """
    table = inspection.vector_table(placement.plan.name)
    ends = [
        section.span.end
        for section in unstored_sections(placement.build)
        if section.span.overlaps(entry.span)
    ]
    if table is None or not ends or not entry.named_by.startswith(BY_SYMBOLS):
        return
    rest, pointer = Span.from_bounds(min(max(ends), entry.end), entry.end), table.words[0] & ~3
    if rest.holds(pointer - 4):
        yield Finding(
            f"start-up code of build {placement.plan.name} clears the stack that it runs on",
            concerned(placement.plan.name, placement.plan.core),
            where=block_place(placement, entry),
            found=f"clears up to {format_address(entry.span.last)}, {sized(rest)} after the last section; "
            f"the stack starts at {format_address(pointer)}",
            expected=f"an end at {format_address(rest.start)}, where the last section of cleared data ends",
        )


def _not_shared(inspection: Inspection, placement: Placement, entry: StartEntry) -> list[Span]:
    """What is cleared outside of shared areas, as the core sees it."""
    shared = shared_ram(inspection.layout)
    spans = []
    for part in parts_of(entry.span, windows_of(inspection.layout, placement.plan.core)):
        distance = part.seen.start - part.plain.start
        spans += [rest.moved(distance) for rest in without([part.plain], shared)]
    return spans


def _clears_stored(placement: Placement, entry: StartEntry, stored: Span, segment: Segment) -> Finding:
    build, name = placement.build, placement.plan.name
    end, words = segment.run_span.end, segment_words(build, segment)
    for section in sections_outside(build, segment):
        return Finding(
            f"section {section.name} of build {name} is not in the segment at its address",
            concerned(placement.plan.name, placement.plan.core),
            where=f"build {name} ({build.file}), section {section.name}, {sized(section.span)}",
            found=f"other bytes in {words}, of which start-up code clears {sized(stored)}",
            expected="the bytes of the section, and none for what is cleared",
            next_step="change the load address in the linker script (AT>): objcopy --change-section-lma takes a "
            "section out of its segment",
        )
    only_zeros = not any(build.read_at_run(stored.start, stored.size) or b"\1")
    holding = [
        section
        for section in (build.sections.all() if build.sections and only_zeros else ())
        if section.allocated and section.stored and section.span.overlaps(Span.from_bounds(stored.start, end))
    ]
    return Finding(
        f"build {name} stores zeros for what its start-up code clears"
        if only_zeros
        else f"start-up code of build {name} clears what the image stores for it",
        concerned(placement.plan.name, placement.plan.core),
        where=block_place(placement, entry),
        found=f"clears {sized(stored)}, bytes of {words}",
        expected="memory of which the file stores no bytes",
        lines=written_lines(placement, stored),
        next_step=_not_to_be_stored(build, holding[-1], stored) if holding else "",
        follows_from=(("load-addresses-in-flash", words),),
    )


def _not_to_be_stored(build: Build, section: Section, cleared: Span) -> str:
    """What to do about a section with bytes in the file that has the linker store what is cleared before it."""
    after = "" if section.span.overlaps(cleared) else ", after it,"
    has_content = any(build.read_at_run(section.span.start, section.span.size) or b"")
    step = "place it before what is cleared" if has_content else "mark it (NOLOAD)"
    return f"section {section.name}{after} has the linker store them: {step} in the linker script"


RULE = Rule(
    name="start-clears-own-ram",
    severity="error",
    guards="device",
    checks="Each block that start-up code clears, by the build's zero table or the usual symbols at its "
    "ends, is in RAM that its core owns, of a secondary outside shared areas, and over no byte that the image "
    "stores for the build, be it initialised data or code that runs from RAM; symbols do not make it reach over the "
    "end of all sections to the stack that the core starts with (the primary may clear what is "
    "shared, since it does so before it releases another core); whatever else "
    "a secondary's start-up code clears is no memory of another core, and nothing that another build initialises in a "
    "shared area or that the primary's code has written there before the release.",
    why="A secondary that clears what the cores share wipes out what the primary "
    "has written there already; a core that clears initialised data or copied code "
    "loses it, and runs into zeros.",
    remedy="Take the block's ends from the section of cleared data alone, and keep shared sections, which "
    "are not cleared, in a segment of their own.",
    source="common practice (tables and symbols of start-up code, from memory)",
    absent=Reason("no build has symbols that show what its start-up code clears"),
    check=check,
    of_elf=True,
)
