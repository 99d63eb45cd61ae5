"""A dump of a device taken apart: the image in it, and what the device has from elsewhere or wrote itself."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.image.sparse import SparseBytes
from gemel.layout.model import LEFT_ALONE, Area, Layout
from gemel.spans import ADDRESS_SPACE, Span, merge, without
from gemel.structs import NamedTuple


class SetAside(NamedTuple):
    """Bytes of a dump that are no image's, and why."""

    span: Span
    reason: str


def image_in(layout: Layout, dump: SparseBytes) -> tuple[SparseBytes, tuple[SetAside, ...]]:
    """The bytes that an image could have put there, and those set aside; ``dump`` is not changed.

    Set aside are areas of purpose reserved and settings, areas of purpose data in flash that no build, stamp or
    checksum goes to, and all that is in no flash or rom memory; what is erased there is not listed.
    """
    image = dump.copy()
    found = []
    for each in _foreign(layout):
        held = image.held_in(each.span)
        if any(_is_programmed(layout, image, span) for span in held):
            found.append(each._replace(span=Span.from_bounds(held[0].start, held[-1].end)))
            image.erase(each.span)
    return image, tuple(found)


def _is_programmed(layout: Layout, image: SparseBytes, span: Span) -> bool:
    """Whether ``span`` has a byte other than the erased one of its memory; outside of all memories every byte is."""
    erased = next((each.erased_byte for each in layout.memories.values() if each.span.covers(span)), None)
    return erased is None or any(bytes(piece).strip(bytes((erased,))) for _, piece in image.pieces(span))


def _foreign(layout: Layout) -> Iterator[SetAside]:
    for area in layout.areas.values():
        if layout.memories[area.memory].holds_image and (reason := _why_aside(layout, area)):
            yield SetAside(layout.span_of(area.name), f"area {area.name}: {reason}")
    memories = merge(each.span for each in layout.memories.values() if each.holds_image)
    for outside in without([Span(0, ADDRESS_SPACE)], memories):
        yield SetAside(outside, "no flash or rom memory of the layout")


def _why_aside(layout: Layout, area: Area) -> str:
    if area.purpose == "settings":
        return "the device writes there"
    if area.purpose in LEFT_ALONE:
        return "the device has it from elsewhere"
    if area.purpose != "data" or _is_written(layout, area.name):
        return ""
    return "of purpose data, and no build, stamp or checksum goes there"


def _is_written(layout: Layout, area: str) -> bool:
    """Whether a join writes into an area."""
    if any(area in (build.stored_in, *build.also_stored_in) for build in layout.builds.values()):
        return True
    span = layout.span_of(area)
    places = [*(each.at for each in layout.stamps), *(each.at for each in layout.checksums)]
    return any(
        span.holds(place) if isinstance(place, int) else getattr(place, "area", None) == area
        for place in places
    )
