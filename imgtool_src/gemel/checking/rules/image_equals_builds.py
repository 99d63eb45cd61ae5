"""Rule ``image-equals-builds``: the image holds the given builds, byte by byte."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.inspection.image_bytes import Deviation, differing, differs_only_as
from gemel.inspection.inspection import Inspection
from gemel.inspection.patch_locations import PatchLocations, UnknownLocation, needs_of_places
from gemel.inspection.wording import concerned, counted, needs_build, see, segment_words, symbol_at
from gemel.layout.addresses import locate
from gemel.outcomes import Finding, Holds, NotChecked, Outcome, Reason
from gemel.placement.placing import Piece, Placement
from gemel.spans import Span, format_address, without
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.inspection.altered.changed_bytes import Cause

MIN_POINTING = 4
"""Differing bytes from which on a value that they all have points to a cause."""
ROW = 8
"""Bytes shown of image and build from the first difference on."""


class _Difference(NamedTuple):
    piece: Piece
    deviation: Deviation


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build."""
    places = inspection.patches
    for name in inspection.layout.builds:
        placement = inspection.placements.get(name)
        yield (
            _outcome(inspection, placement, places)
            if placement
            else NotChecked(f"build {name}", needs_build(name))
        )


def _outcome(inspection: Inspection, placement: Placement, places: PatchLocations) -> Outcome:
    where = f"build {placement.plan.name}"
    pieces = [piece for piece in placement.pieces if _in_flash(inspection, piece)]
    if not pieces:
        return NotChecked(where, see("load-addresses-in-flash", "none of its bytes is in flash"))
    differences = _differences(inspection, pieces, places.known.values())
    if differences:
        gaps = [*_gaps_of_copies(inspection, placement), *_gaps_filled(inspection, placement)]
        differences = _differences(inspection, pieces, [*places.known.values(), *gaps])
    if not differences:
        if len(pieces) < len(placement.build.stored):
            return NotChecked(where, see("load-addresses-in-flash", "some of its bytes are not in flash"))
        return Holds(where)
    unknown = [place for place in places.unknown if _concerns(inspection, placement, place)]
    count = sum(each.deviation.count for each in differences)
    if count <= sum(place.width for place in unknown):
        first = format_address(differences[0].deviation.first)
        names = ", ".join(f"{place.name} (symbol {place.symbol})" for place in unknown)
        needed = ", ".join(dict.fromkeys(f"{place.build}=FILE" for place in unknown))
        may_be = f"{counted(count, 'byte')} from {first} on may be {names}"
        reason = Reason(f"{may_be}: needs the ELF file with symbols, {needed}", *needs_of_places(unknown))
        return NotChecked(where, reason)
    return _finding(inspection, placement, differences, count)


def _differences(
    inspection: Inspection, pieces: list[Piece], passed_over: Iterable[Span]
) -> list[_Difference]:
    return [
        _Difference(piece, deviation)
        for piece in pieces
        for span in without([piece.span], passed_over)
        if (deviation := _deviation(inspection, piece, span))
    ]


def _gaps_filled(inspection: Inspection, placement: Placement) -> Iterator[Span]:
    """Gaps between sections that hold one byte throughout: an image of another form of the build fills them so."""
    from gemel.placement.places import gaps_between_sections

    for gap in gaps_between_sections(placement):
        held = inspection.bytes_of(gap)
        if held.count(held[0]) == len(held):
            yield gap


def _gaps_of_copies(inspection: Inspection, placement: Placement) -> list[Span]:
    """What builds of other cores leave free in their areas: the fill of a copy's gaps is its maker's choice."""
    from gemel.placement.places import gaps_between_sections

    others = [each for each in inspection.placements.values() if each.plan.core != placement.plan.core]
    areas = [area for each in others for area in inspection.layout.spans_of_build(each.plan)]
    stored = [piece.span for each in others for piece in each.pieces]
    return without(areas, without(stored, [gap for each in others for gap in gaps_between_sections(each)]))


def _in_flash(inspection: Inspection, piece: Piece) -> bool:
    located = locate(inspection.layout, piece.address)
    return located is not None and located.memory.holds_image


def _deviation(inspection: Inspection, piece: Piece, span: Span) -> Deviation | None:
    start = span.start - piece.address
    data = memoryview(piece.segment.data)[start : start + span.size]
    return differing(inspection.image, span.start, data, inspection.erased_byte_at(span.start))


def _concerns(inspection: Inspection, placement: Placement, place: UnknownLocation) -> bool:
    """Whether a place that is not known may be in bytes of this build."""
    area = inspection.layout.span_of(inspection.layout.builds[place.build].stored_in)
    return any(piece.span.overlaps(area) for piece in placement.pieces)


def _finding(
    inspection: Inspection, placement: Placement, differences: list[_Difference], count: int
) -> Finding:
    plan, build = placement.plan, placement.build
    piece, deviation = differences[0]
    offset = deviation.first - piece.address
    expected = piece.segment.data[offset : offset + ROW]
    found = inspection.bytes_of(Span(deviation.first, len(expected)))
    symbol = symbol_at(build, piece.segment.run_address + offset)
    return Finding(
        f"the image does not hold build {plan.name} as given: {counted(count, 'differing byte')}",
        concerned(plan.name, plan.core, plan.stored_in),
        where=f"{segment_words(build, piece.segment)}, first difference at {format_address(deviation.first)}"
        + (f", in {symbol}" if symbol else ""),
        found=f"{found.hex(' ')} in the image",
        expected=f"{expected.hex(' ')} in {build.file}",
        span=Span.from_bounds(deviation.first, differences[-1].deviation.last + 1),
        lines=tuple(_explanations(inspection, differences, count)),
        follows_from=(
            ("build-ids-equal", plan.name),
            ("vectors-of-own-build", plan.name),
            *_cut(inspection, placement),
        ),
    )


def _cut(inspection: Inspection, placement: Placement) -> tuple[Cause, ...]:
    """What a missing build follows from: the one before is missing in part, or it is at an alias."""
    from gemel.inspection.altered.changed_bytes import alias_causes, cut_causes

    first = Span(min(piece.span.start for piece in placement.pieces), 1)
    cut = (each for each in cut_causes(inspection, first) if each[0] == RULE.name)
    return (*cut, *alias_causes(inspection, first))


def _explanations(inspection: Inspection, differences: list[_Difference], count: int) -> Iterator[str]:
    """Where the differences are, and what a usual cause would look like."""
    spans = [each.deviation.span for each in differences]
    if count > 1:
        yield f"the differing bytes are in {', '.join(map(str, spans[:3]))}{', ...' if spans[3:] else ''}"
    if count < MIN_POINTING:
        return
    for byte, words in (
        (inspection.erased_byte_at(spans[0].start), "erased: these bytes are not in the image"),
        (0x00, "zero: padding of another file may have been written over them"),
    ):
        if all(_all_differing_are(inspection, each, byte) for each in differences):
            yield f"in the image all of them are {words}"
            return


def _all_differing_are(inspection: Inspection, difference: _Difference, byte: int) -> bool:
    """Whether the image has ``byte`` wherever it differs, from the first difference to the last."""
    piece, span = difference.piece, difference.deviation.span
    held = inspection.bytes_of(span)
    start = span.start - piece.address
    expected = piece.segment.data[start : start + span.size]
    return differs_only_as(held, expected, byte)


RULE = Rule(
    name="image-equals-builds",
    severity="error",
    guards="image",
    checks="Each byte that a given build stores is in the image at its place, except where the layout writes "
    "a stamp or a checksum; gaps between its sections may have another fill.",
    why="The device runs what is in the image, not what was tested: another version of a build, or one that "
    "another file's padding overwrote or that was changed after the link. Symbols and debug information of the "
    "given build then belong to other code than the one that fails.",
    remedy="Give the files that the image was joined from, or join again from these.",
    source="common practice",
    absent="the layout has no build",
    check=check,
)
