"""Rule ``area-bytes-accounted-for``: every byte in an area of flash is some build's or the join's."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.image_bytes import Deviation, not_erased
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import builds_stored_in, concerned, counted, needs_build, place_words
from gemel.layout.model import Area
from gemel.outcomes import Finding, Holds, NotChecked, Outcome, Reason
from gemel.spans import Span, merge, without

PURPOSES = ("code", "data")
"""Areas that builds fill; the others have rules of their own."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each area of flash for code or data."""
    layout = inspection.layout
    accounted = _accounted(inspection)
    for area in layout.areas.values():
        memory = layout.memories[area.memory]
        if area.purpose not in PURPOSES or not memory.holds_image:
            continue
        missing = [
            plan.name for plan in builds_stored_in(layout, area.name) if plan.name not in inspection.builds
        ]
        if missing:
            yield NotChecked(f"area {area.name}", Reason.joined(map(needs_build, missing)))
            continue
        found = None
        for span in without([layout.span_of(area.name)], accounted):
            found = found or _astray(inspection, span, memory.erased_byte)
        yield _finding(inspection, area, found) if found else Holds(f"area {area.name}")


def _accounted(inspection: Inspection) -> list[Span]:
    """What builds store, the gaps inside one of up to a word's alignment, and what the join writes."""
    spans = [piece.span for placement in inspection.placements.values() for piece in placement.pieces]
    spans += [placed.stored for placed in inspection.placed.values() if placed.name in inspection.placements]
    return merge([*spans, *inspection.patches.known.values()])


def _astray(inspection: Inspection, span: Span, erased: int) -> Deviation | None:
    """Bytes of ``span`` that are neither erased nor the fill of a gap, all of one value."""
    found = not_erased(inspection.image, span, erased)
    if found is None:
        return None
    data = inspection.image.read(found.span, erased)
    return None if data.count(data[0]) == len(data) and data[0] in (0x00, 0xFF) else found


_OTHER_BUILD = ("build-ids-equal", "vectors-of-own-build", "image-equals-builds")


def _finding(inspection: Inspection, area: Area, found: Deviation) -> Finding:
    builds = [plan.name for plan in builds_stored_in(inspection.layout, area.name)]
    whose = f"by build {' or '.join(builds)}" if builds else "by any build: the layout stores none in it"
    return Finding(
        f"area {area.name} holds bytes that no build accounts for",
        concerned(area.name, *builds),
        where=f"area {area.name}, {inspection.layout.span_of(area.name)}",
        found=f"{counted(found.count, 'byte')} at {place_words(found.span)}, which are not stored {whose}",
        expected="erased bytes outside of what the builds store and the join writes",
        span=found.span,
        follows_from=(
            *((cause, build) for build in builds for cause in _OTHER_BUILD),
            ("rest-digest-matches", "rest"),
        ),
    )


RULE = Rule(
    name="area-bytes-accounted-for",
    severity="warning",
    guards="device",
    checks="In each area of flash for code or data whose builds are all given, every byte that no build stores and "
    "that belongs to no stamp or checksum is erased, or part of a fill of 0x00 or 0xFF.",
    why="Bytes that neither a build nor the join put there were added later: the rest of an older image, another "
    "product's data, or something that was added on purpose. Code may read them as its settings.",
    remedy="Join the image again from the builds; give what belongs there, such as a calibration table, a build of "
    "its own in the layout.",
    source="common practice",
    absent="the layout has no area of purpose code or data in flash",
    check=check,
)
