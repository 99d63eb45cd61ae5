"""What memory a build takes at run time, by memory and in plain addresses.

A build claims RAM with the run addresses of its segments: initialised and cleared data, code that is
copied; and with the heap and stack that its linker script sets aside by section names or symbols, whether
they are in a segment or not.  Bytes that run where they are stored claim nothing, nor does a gap that
sections leave in a segment; without section headers the whole segment counts.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.builds.segment import ALIGNMENT_GAP, NO_SEGMENT, Segment
from gemel.inspection.ram.reserves import Reserve, reserves_of
from gemel.inspection.ram.windows import Part, Window, parts_of, windows_of
from gemel.layout.model import BuildPlan, Layout, Memory
from gemel.m_profile.bit_band import of_bit_band_alias
from gemel.m_profile.memory_map import SYSTEM
from gemel.spans import Span, merge, without
from gemel.structs import NamedTuple


class Claim(NamedTuple):
    """A span that one segment, heap or stack takes in one memory (None: in no memory that its core sees).

    A segment has one claim for each stretch of its sections, and another where a section begins in shared
    RAM after one that does not, or the other way round.
    """

    by: Segment | Reserve
    seen: Span
    memory: Memory | None
    plain: Span

    @property
    def in_ram(self) -> bool:
        """Whether the memory can be claimed at all."""
        return self.memory is not None and self.memory.kind == "ram"

    @property
    def reserve(self) -> Reserve | None:
        """The heap or stack that takes it; None for a segment."""
        return self.by if isinstance(self.by, Reserve) else None

    @property
    def words(self) -> str:
        """``segment 2``, or ``heap, symbols __HeapBase and __HeapLimit``."""
        return self.by.words


def claims_of(layout: Layout, plan: BuildPlan, build: Build) -> Iterator[Claim]:
    """What ``build`` takes besides the flash it is stored in; registers are left out, the system's with the device's.

    A heap or stack claims what no segment claims already.  Claims outside RAM are those of a build that
    is linked for another device: cleared bytes in flash, run addresses where its core sees no memory.
    """
    windows = windows_of(layout, plan.core)
    shared = shared_ram(layout)
    for segment in build.segments:
        claims = _by_pieces(segment, windows, layout.cores[plan.core].architecture)
        yield from _joined(claims, shared) if segment.pieces else claims
    taken = [span for segment in build.segments for span in segment.taken]
    for reserve in reserves_of(build):
        for span in without([reserve.span], taken):
            yield from _claims(reserve, span, windows)
        taken.append(reserve.span)


def unallocated_claims(layout: Layout, plan: BuildPlan, build: Build) -> Iterator[Claim]:
    """What objects take in sections that a linker script leaves out of the program: COPY, INFO, DSECT, OVERLAY.

    Code uses them all the same.  They are no obstacle to the build's own stack, whose size they may state.
    """
    windows = windows_of(layout, plan.core)
    for section in build.sections.all() if build.sections and build.symbols else ():
        if section.allocated or not section.span.start or not section.span.size or build.symbols is None:
            continue
        found = build.symbols.objects_in(section.span)
        if any(
            each.kind == "object" and each.size and each.section_index == section.number for each in found
        ):
            start, size = section.span.start, section.span.size
            whole = Segment(start, start, b"", size, True, True, False, NO_SEGMENT, section=section.name)
            yield from _by_pieces(whole, windows, layout.cores[plan.core].architecture)


def _by_pieces(segment: Segment, windows: list[Window], architecture: str) -> Iterator[Claim]:
    for span in segment.pieces or (segment.run_span,):
        piece = span if segment.data else of_bit_band_alias(architecture, span) or span
        for part in parts_of(piece, windows):
            seen = _claimed(segment, part)
            if seen.size:
                yield Claim(segment, seen, part.memory, seen.moved(part.plain.start - part.seen.start))


def _joined(claims: Iterator[Claim], shared: list[Span]) -> Iterator[Claim]:
    """The claims of one segment's pieces; those with no more than alignment between as one."""
    held: Claim | None = None
    for claim in claims:
        if held and _continues(held, claim) and _starts_in(shared, held) == _starts_in(shared, claim):
            held = held._replace(
                seen=Span.from_bounds(held.seen.start, claim.seen.end),
                plain=Span.from_bounds(held.plain.start, claim.plain.end),
            )
            continue
        if held:
            yield held
        held = claim
    if held:
        yield held


def _continues(held: Claim, claim: Claim) -> bool:
    gap = claim.seen.start - held.seen.end
    return gap < ALIGNMENT_GAP and held.memory is claim.memory and claim.plain.start - held.plain.end == gap


def _starts_in(shared: list[Span], claim: Claim) -> bool:
    return any(span.holds(claim.plain.start) for span in shared)


def reserve_claims(layout: Layout, plan: BuildPlan, build: Build) -> Iterator[Claim]:
    """The whole of each heap and stack that the build sets aside, whatever segments are there."""
    windows = windows_of(layout, plan.core)
    for reserve in reserves_of(build):
        yield from _claims(reserve, reserve.span, windows)


def _claims(reserve: Reserve, span: Span, windows: list[Window]) -> Iterator[Claim]:
    for part in parts_of(span, windows):
        if part.memory is None or part.memory.kind != "device":
            yield Claim(reserve, part.seen, part.memory, part.plain)


def ram_of(layout: Layout, plan: BuildPlan, build: Build) -> list[Span]:
    """The RAM that ``build`` claims in plain addresses, merge."""
    return merge(claim.plain for claim in claims_of(layout, plan, build) if claim.in_ram)


def owned_areas(layout: Layout, core: str) -> list[str]:
    """The areas of RAM that a core owns, and those that its copied builds run in."""
    runs_in = [plan.runs_in for plan in layout.builds.values() if plan.core == core and plan.runs_in]
    return list(dict.fromkeys([*layout.cores[core].ram, *runs_in]))


def own_ram(layout: Layout, core: str) -> list[Span]:
    """The places of ``owned_areas``, merged."""
    return merge(layout.span_of(name) for name in owned_areas(layout, core))


def shared_ram(layout: Layout) -> list[Span]:
    """The areas of purpose shared, merge."""
    return merge(layout.span_of(area.name) for area in layout.areas.values() if area.purpose == "shared")


def _claimed(segment: Segment, part: Part) -> Span:
    """The bytes of ``part`` that are a claim; empty if none."""
    kind = part.memory.kind if part.memory else None
    if kind == "ram":
        return part.seen
    if kind == "device" or (kind is None and SYSTEM.holds(part.seen.start)):
        return Span(part.seen.start, 0)
    stored_in_place = kind is not None or segment.run_address == segment.load_address
    if not stored_in_place:
        return part.seen
    cleared = Span.from_bounds(segment.run_address + len(segment.data), segment.run_span.end)
    return part.seen.intersection(cleared)
