"""Rule ``builds-in-own-areas``: no build stores a byte outside its own area."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.files.contents import ELF_START
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import (
    builds_stored_in,
    concerned,
    found_or_holds,
    needs_build,
    own_areas_words,
    owners_of,
    see,
    segment_words,
    sized,
)
from gemel.layout.model import Area
from gemel.outcomes import Finding, NotChecked, Outcome
from gemel.placement.placing import Piece, Placement, over_the_memory, part_in_flash, too_large_by
from gemel.spans import Span, format_size, without


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, one finding for each piece of it in another area or in none."""
    for name in inspection.layout.builds:
        placement = inspection.placements.get(name)
        where = f"build {name}"
        if placement is None:
            yield NotChecked(where, needs_build(name))
            continue
        if over_the_memory(inspection.layout, placement.plan, placement.build):
            yield NotChecked(
                where, see("load-addresses-in-flash", "it is larger than the rest of the memory")
            )
            continue
        if placement.placed is None and _with_another(inspection, name):
            continue
        in_flash = [piece for piece in placement.pieces if part_in_flash(inspection.layout, piece).size]
        if not in_flash:
            yield NotChecked(where, see("load-addresses-in-flash", "none of its bytes is in flash"))
            continue
        yield from found_or_holds(_findings(inspection, placement, in_flash), where)


def _with_another(inspection: Inspection, name: str) -> bool:
    """Whether a build's file was swapped with that of another one, which is reported with it."""
    from gemel.placement.elsewhere import swapped

    return name in swapped(inspection.layout, inspection.placements, name)[1:]


def _findings(inspection: Inspection, placement: Placement, pieces: list[Piece]) -> Iterator[Finding]:
    layout, plan = inspection.layout, placement.plan
    if each := placement.unreachable:
        yield Finding(
            each.what,
            concerned(plan.name, plan.core, plan.stored_in),
            where=each.where,
            found=each.found,
            expected=each.expected,
            next_step=each.next_step,
        )
    if not any(piece.span.overlaps(layout.span_of(plan.stored_in)) for piece in pieces):
        yield _none_in_own(inspection, placement, pieces)
        return
    strays = list(_strays(inspection, placement, pieces))
    over = too_large_by(layout, plan, [span for _, span, _ in strays])
    if over:
        inside = [area for _, span, area in strays if area and over.covers(span)]
        yield _too_large(inspection, placement, over, inside)
    for piece, span, area in strays:
        if over is None or not over.covers(span):
            yield _astray(inspection, placement, piece, span, area)


def _strays(
    inspection: Inspection, placement: Placement, pieces: list[Piece]
) -> Iterator[tuple[Piece, Span, Area | None]]:
    """Bytes of a build in flash outside its areas, and the area that they are in, if any."""
    layout, plan = inspection.layout, placement.plan
    for piece in pieces:
        for outside in without([part_in_flash(inspection.layout, piece)], layout.spans_of_build(plan)):
            rest = [outside]
            for area in layout.areas.values():
                span = layout.span_of(area.name)
                if not span.overlaps(outside):
                    continue
                rest = without(rest, [span])
                if not _may_hold_copy(inspection, plan.core, area):
                    yield piece, span.intersection(outside), area
            for span in rest:
                yield piece, span, None


def _too_large(inspection: Inspection, placement: Placement, over: Span, areas: list[Area]) -> Finding:
    plan = placement.plan
    owned = [(area, *owners_of(inspection.layout, area)) for area in areas]
    owners = [name for area, _, names in owned for name in (area.name, *names)]
    lines = tuple(
        dict.fromkeys(f"what is after it is in area {area.name}, {words}" for area, words, _ in owned)
    )
    return Finding(
        f"build {plan.name} is {format_size(over.size)} too large for area {plan.stored_in}",
        concerned(plan.name, plan.core, plan.stored_in, *owners),
        where=f"build {plan.name} ({placement.build.file})",
        found=f"bytes of it after the area, {sized(over)}",
        expected=own_areas_words(inspection.layout, plan),
        span=over,
        next_step="make the build smaller, or enlarge its area in the layout and let both teams know",
        lines=lines,
    )


def _may_hold_copy(inspection: Inspection, core: str, area: Area) -> bool:
    """Whether a build of ``core`` may store a copy of the build that belongs into ``area``."""
    cores = inspection.layout.cores
    owners = [plan.core for plan in builds_stored_in(inspection.layout, area.name)]
    return cores[core].role == "primary" and any(cores[owner].role == "secondary" for owner in owners)


def _astray(
    inspection: Inspection, placement: Placement, piece: Piece, span: Span, area: Area | None
) -> Finding:
    plan = placement.plan
    words, owners = owners_of(inspection.layout, area) if area else ("", ())
    place = f"in area {area.name}, {words}" if area else "that belong to no area"
    hint = "move them in the linker script, or enlarge its area in the layout"
    if piece.segment.data.startswith(ELF_START):
        hint = "this segment stores the ELF file's own headers: keep them out of it (linker option -n)"
    return Finding(
        f"build {plan.name} has bytes {place}",
        concerned(plan.name, plan.core, plan.stored_in, area.name if area else "", *owners),
        where=segment_words(placement.build, piece.segment),
        found=sized(span),
        expected=own_areas_words(inspection.layout, plan),
        span=span,
        next_step=hint,
    )


def _none_in_own(inspection: Inspection, placement: Placement, pieces: list[Piece]) -> Finding:
    from gemel.placement.elsewhere import each_its_own, home_of, in_words, next_step, swapped

    layout, plan = inspection.layout, placement.plan
    own = layout.span_of(plan.stored_in)
    placements = inspection.placements
    names = swapped(layout, placements, plan.name)
    extent = Span.from_bounds(pieces[0].address, max(piece.span.end for piece in pieces))
    return Finding(
        in_words(names) if names else f"build {plan.name} has no byte in its own area",
        concerned(plan.name, plan.core, plan.stored_in, home_of(layout, placement), *names),
        where=f"build {plan.name} ({placement.build.file})",
        found=f"bytes in {extent}",
        expected=f"bytes in area {plan.stored_in}, {own}",
        span=extent,
        next_step=each_its_own(layout, placements, names)
        if names
        else next_step(layout, placement, placements),
    )


RULE = Rule(
    name="builds-in-own-areas",
    severity="error",
    guards="device",
    checks="Every byte that a build stores in flash is in the area that the layout gives it, except for the "
    "primary's copy of a secondary's build at the place of that build.",
    why="Where two builds meet, one overwrites the other: merged files keep the bytes of whichever came "
    "last, and a core runs into code that is not its own. An update of one build then destroys the other.",
    remedy="Link each build for its own area; if it has outgrown the area, enlarge it in the layout and let both "
    "teams know.",
    source="common practice",
    absent="the layout has no build",
    check=check,
)
