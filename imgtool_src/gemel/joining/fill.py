"""Erased bytes written out where flash must be programmed: holes of builds, what checksums cover, units."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from gemel.image.sparse import SparseBytes
from gemel.layout.addresses import locate
from gemel.layout.model import Layout
from gemel.placement.placed import PlacedBuild, blocks_of, not_ours
from gemel.placement.places import covered_spans
from gemel.spans import Span, align_down, align_up, merge, without


def fill(layout: Layout, image: SparseBytes, spans: Iterable[Span]) -> None:
    """Write the erased byte wherever ``image`` holds none in ``spans``.

    Reserved areas and the seal's are left alone.
    """
    wanted = without(spans, not_ours(layout))
    for memory in layout.memories.values():
        inside = [span.intersection(memory.span) for span in wanted]
        for hole in without(inside, image.held_in(memory.span)):
            address = hole.start
            for block in blocks_of(layout, image, hole):
                image.write(address, block)
                address += len(block)


def spans_to_fill(layout: Layout, image: SparseBytes, placed: Mapping[str, PlacedBuild]) -> list[Span]:
    """Every build from its first write unit to its last, also in its further areas; what checksums cover."""
    spans = [build.stored for build in placed.values()]
    for name in placed:
        for area in layout.builds[name].also_stored_in:
            if held := image.held_in(layout.span_of(area)):
                spans.append(whole_units(layout, Span.from_bounds(held[0].start, held[-1].end)))
    for checksum in layout.checksums:
        spans.extend(covered_spans(layout, checksum, placed))
    return spans


def whole_units(layout: Layout, span: Span) -> Span:
    """``span`` grown to whole write units of its memory, as far as its area reaches.

    In no area it grows as far as no area is touched; outside all memories it stays as it is.
    """
    located = locate(layout, span.start)
    if located is None:
        return span
    unit = located.memory.write_unit
    grown = Span.from_bounds(align_down(span.start, unit), align_up(span.end, unit))
    grown = grown.intersection(located.memory.span)
    areas = [layout.span_of(area) for area in layout.areas]
    if home := next((area for area in areas if area.holds(span.start)), None):
        return grown.intersection(home)
    free = without([grown], areas)
    return next((part for part in merge([*free, span]) if part.covers(span)), span)
