"""What a checksum covers in the image under check, as far as it is known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from gemel.checksums.algorithms import unit_size
from gemel.checksums.in_layout import algorithm_of
from gemel.inspection.inspection import Inspection, once
from gemel.layout.addresses import locate
from gemel.layout.model import BuildRange, Checksum
from gemel.placement.places import covered_spans
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.checksums.coverages import Bound, OtherBounds


def known_coverage(inspection: Inspection, checksum: Checksum) -> list[Span] | str:
    """The spans that ``checksum`` covers, in their order, or why they are not known.

    The end of a build is reported by its file or by the record, not by which bytes of its area are erased.
    """
    return _coverages(inspection)[checksum.name]


@once
def _coverages(inspection: Inspection) -> dict[str, list[Span] | str]:
    return {each.name: _coverage(inspection, each) for each in inspection.layout.checksums}


def _coverage(inspection: Inspection, checksum: Checksum) -> list[Span] | str:
    for item in (*checksum.over, *checksum.exceptions):
        if isinstance(item, BuildRange):
            found = inspection.placed_with_origin.get(item.build)
            if found is None or found[1] == "layout":
                if item.build in inspection.builds:
                    area = inspection.layout.builds[item.build].stored_in
                    return (
                        f"where build {item.build} ends: no byte of the file that was given for it is in "
                        f"its area {area}, see builds-in-own-areas"
                    )
                return (
                    f"where build {item.build} ends: needs {item.build}=FILE, or an image with a sound record"
                )
    covered = covered_spans(inspection.layout, checksum, inspection.placed)
    return covered or "its exceptions leave out all that it covers"


def ranges_elsewhere(
    inspection: Inspection, checksum: Checksum, place: Span, covered: Sequence[Span], erased_byte: int
) -> OtherBounds:
    """Ranges near ``covered`` that a device may take instead, by the areas and builds that are there."""
    from gemel.checksums.coverages import Bound, OtherBounds, other_bounds

    layout = inspection.layout
    located = locate(layout, covered[0].start)
    if located is None:
        return OtherBounds((), (), ())
    starts: list[Bound] = []
    ends: list[Bound] = []
    areas = [name for name in layout.areas if any(layout.span_of(name).overlaps(span) for span in covered)]
    for name in areas:
        area = layout.span_of(name)
        starts.append(Bound(area.start, f"at the start of area {name}"))
        ends.append(Bound(area.end, f"at the end of area {name}"))
    for plan in layout.builds.values():
        if plan.stored_in not in areas:
            continue
        if layout.areas[plan.stored_in].purpose == "code":
            table = layout.table_start(plan)
            whole = 4 * (16 + layout.cores[plan.core].interrupts)
            starts.append(Bound(table, f"with the vector table of build {plan.name}"))
            starts.append(Bound(table + whole, f"after the vector table of build {plan.name}"))
        if placed := inspection.placed.get(plan.name):
            starts.append(Bound(placed.stored.start, f"with build {plan.name}"))
            ends.append(Bound(placed.stored.end, f"with build {plan.name}"))
    unit = unit_size(algorithm_of(checksum), checksum.feed)
    return other_bounds(
        inspection.image, covered, place, erased_byte, located.memory.span, starts, ends, unit
    )
