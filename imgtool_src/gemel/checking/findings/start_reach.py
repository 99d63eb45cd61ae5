"""How far the blocks of start-up code reach: after what is stored for them, into memory of others."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from gemel.builds.build import Build
from gemel.checking.findings.start_blocks import block_place
from gemel.inspection.cores.views import run_span
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import claims_of, own_ram
from gemel.inspection.ram.reserves import reserves_of
from gemel.inspection.ram.unstored import unstored_sections
from gemel.inspection.ram.windows import Part, parts_of, windows_of
from gemel.inspection.start_up.tables import StartEntry
from gemel.inspection.wording import biggest_symbols, concerned, in_source, sized
from gemel.layout.addresses import locate
from gemel.outcomes import Finding
from gemel.placement.placing import Placement
from gemel.spans import Span, without
from gemel.structs import NamedTuple, replace

ROUNDING = 8
"""Bytes up to a multiple of which the end of a block may be rounded up: code copies words or pairs of words."""


class Written(NamedTuple):
    """Bytes that start-up code writes in one memory (None: in none), as its core sees them, and plain."""

    seen: Span
    plain: Span


class Brought(NamedTuple):
    """Another core's build that a block copies to the area it runs in.

    ``area`` is as the copying core sees it; ``stored`` the plain address of what belongs where the block
    starts.
    """

    build: str
    area: Span
    stored: int


def not_stored(placement: Placement, block: StartEntry) -> list[Span]:
    """What of the destination of a copy the build stores no bytes for, alignment padding left out."""
    build = placement.build
    stored = [each.segment.stored_run for each in placement.pieces]
    return [span for span in without([block.span], stored) if not _padding(build, span)]


def _padding(build: Build, span: Span) -> bool:
    """Whether ``. = ALIGN(...)`` or a size in words may have left ``span``, in which nothing is then."""
    if span.size < ROUNDING:
        return True
    taken = [section.span for section in unstored_sections(build) if _has_objects(build, section.span)]
    taken += [reserve.span for reserve in reserves_of(build)]
    return span.size < (span.end & -span.end) and not any(each.overlaps(span) for each in taken)


def _has_objects(build: Build, span: Span) -> bool:
    """Whether an object is there; True where the file shows no objects at all."""
    symbols = build.symbols
    return (
        symbols is None
        or any(each.kind == "object" and each.size for each in symbols.objects_in(span))
        or not any(each.kind == "object" for each in symbols.all())
    )


def copied_build_at(inspection: Inspection, placement: Placement, block: StartEntry) -> Brought | None:
    """The build of another core that is brought to RAM by a block of this one; None if it is none."""
    layout, core = inspection.layout, placement.plan.core
    located = locate(layout, block.start, core)
    for placed in inspection.placed.values() if located else ():
        runs_in = layout.builds[placed.name].runs_in
        if located and runs_in and placed.core != core:
            area = layout.span_of(runs_in)
            if area.holds(located.plain):
                stored = placed.stored.start + located.plain - run_span(inspection, placed).start
                return Brought(placed.name, area.moved(block.start - located.plain), stored)
    return None


def misplaced(
    inspection: Inspection,
    placement: Placement,
    block: StartEntry,
    spans: list[Span],
    does: Literal["clears", "copies over"],
) -> Iterator[Finding]:
    """What of ``spans``, written for ``block``, is shared or not the core's own RAM: one finding, with all of it."""
    if found := list(_misplaced(inspection, placement, block, spans, does)):
        parties = dict.fromkeys(party for each in found for party in each.parties)
        lines = [line for each in found[1:] for line in (each.found, *each.lines)]
        yield replace(found[0], parties=tuple(parties), lines=(*found[0].lines, *lines))


def _misplaced(
    inspection: Inspection,
    placement: Placement,
    block: StartEntry,
    spans: list[Span],
    does: Literal["clears", "copies over"],
) -> Iterator[Finding]:
    layout, core = inspection.layout, placement.plan.core
    shared = {
        area.name: layout.span_of(area.name) for area in layout.areas.values() if area.purpose == "shared"
    }
    parts = [part for span in spans for part in parts_of(span, windows_of(layout, core))]
    for part in parts:
        for area, place in shared.items():
            if (common := place.intersection(part.plain)).size:
                yield _in_shared(inspection, placement, block, area, _seen(part, common), does)
    foreign = [
        Written(_seen(part, plain), plain)
        for part in parts
        for plain in without([part.plain], [*own_ram(layout, core), *shared.values()])
    ]
    for written in _unclaimed(inspection, placement, foreign):
        yield _in_foreign(inspection, placement, block, written, does)


def _unclaimed(inspection: Inspection, placement: Placement, foreign: list[Written]) -> Iterator[Written]:
    """Without what the build claims there, which ram-claims-in-own-areas shows."""
    if foreign:
        claims = [claim.seen for claim in claims_of(inspection.layout, placement.plan, placement.build)]
        for seen, plain in foreign:
            for rest in without([seen], claims):
                yield Written(rest, rest.moved(plain.start - seen.start))


def _seen(part: Part, plain: Span) -> Span:
    return plain.moved(part.seen.start - part.plain.start)


def written_lines(placement: Placement, span: Span) -> tuple[str, ...]:
    """The largest objects of the build in ``span``, as a line of evidence; none if none is known."""
    symbols = biggest_symbols(placement.build, span)
    return (f"largest objects there: {symbols}",) if symbols else ()


def _causes(placement: Placement, does: str) -> tuple[tuple[str, str], ...]:
    """What a block that is copied too far follows from."""
    return (("start-copies-stored-data", placement.plan.name),) if does == "copies over" else ()


def _in_shared(
    inspection: Inspection, placement: Placement, block: StartEntry, area: str, span: Span, does: str
) -> Finding:
    shared = {
        name for each in inspection.layout.contracts.values() if each.area == area for name in each.symbols
    }
    symbols = placement.build.symbols
    own = bool(shared and symbols and not any(each.name in shared for each in symbols.objects_in(span)))
    inside = next((each for each in unstored_sections(placement.build) if own and each.span == span), None)
    return Finding(
        f"start-up code of build {placement.plan.name} {does} area {area}, which the cores share",
        concerned(placement.plan.name, placement.plan.core, area),
        where=block_place(placement, block),
        found=f"{does} {sized(span)}",
        expected="what is shared is left to the code that both cores have agreed on",
        lines=written_lines(placement, span),
        next_step=f"place section {in_source(inside.name)}, which is all that is cleared there, in RAM of core "
        f"{placement.plan.core} in the linker script"
        if inside
        else "",
        follows_from=_causes(placement, does),
    )


def _in_foreign(
    inspection: Inspection, placement: Placement, block: StartEntry, written: Written, does: str
) -> Finding:
    layout, plan = inspection.layout, placement.plan
    areas = [name for name in layout.areas if layout.span_of(name).overlaps(written.plain)]
    place = f"in area {', area '.join(areas)}" if areas else "in no area"
    return Finding(
        f"start-up code of build {plan.name} {does} memory that core {plan.core} does not own",
        concerned(plan.name, plan.core, *areas),
        where=block_place(placement, block),
        found=f"{does} {sized(written.seen)}, {place}",
        expected=f"inside {', '.join(map(str, own_ram(layout, plan.core))) or 'RAM that it owns'}",
        span=written.plain,
        follows_from=_causes(placement, does),
    )
