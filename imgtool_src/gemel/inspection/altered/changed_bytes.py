"""What bytes that changed after the join lead to: names of rules whose findings are causes of others.

Each cause is a rule and a party of its finding, as ``Finding.follows_from`` has them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.checksums.in_layout import checksum_bytes
from gemel.errors import Problem
from gemel.inspection.altered.unchanged import as_recorded, unchanged_since_join
from gemel.inspection.checksum_ranges import known_coverage
from gemel.inspection.inspection import Inspection, once
from gemel.layout.addresses import locate, starts_of
from gemel.spans import Span, format_address
from gemel.structs import replace

Cause = tuple[str, str]
"""A rule and a party of its finding."""

OTHER_BYTES = (
    "image-equals-builds",
    "vectors-of-own-build",
    "vector-table-not-blank",
    "record-digests-match",
)
"""Rules that say of a build that the image holds other bytes than its own."""


def causes_in(inspection: Inspection, spans: Iterable[Span]) -> tuple[Cause, ...]:
    """That other bytes are in the areas of builds which ``spans`` touch."""
    layout, wanted = inspection.layout, list(spans)
    names = [
        plan.name
        for plan in layout.builds.values()
        if any(layout.span_of(plan.stored_in).overlaps(span) for span in wanted)
    ]
    return tuple((rule, name) for name in names for rule in OTHER_BYTES)


@once
def end_of_written(inspection: Inspection) -> int:
    """The address after the last byte of the image that is not erased; 0 where all are."""
    for address, piece in reversed(list(inspection.image.pieces())):
        if written := bytes(piece).rstrip(bytes((inspection.erased_byte_at(address),))):
            return address + len(written)
    return 0


def cut_before(inspection: Inspection, span: Span, size: int = 0) -> tuple[str, ...]:
    """A line for a finding that something is missing in ``span``: the image ends before it, or is erased from there on.

    So does a file that was cut, and a dump of a device that was programmed in part.  It may end in it too, where what
    should be there takes ``size`` bytes.
    """
    bounds = inspection.image.bounds()
    if bounds is None:
        return ()
    if bounds.end < span.start + max(size, 1):
        place = "before" if bounds.end <= span.start else "in"
        return (f"the image ends at {format_address(bounds.last)}, {place} this place: its file may be cut",)
    end = end_of_written(inspection)
    if end > span.start:
        return ()
    return (f"every byte from {format_address(end)} on is erased: it may be cut, or programmed in part",)


def cut_causes(inspection: Inspection, span: Span) -> tuple[Cause, ...]:
    """That the image ends before ``span``, in or before the area of a build that is missing then."""
    if not cut_before(inspection, span):
        return ()
    end = end_of_written(inspection)
    lost = [area for area in map(inspection.layout.span_of, inspection.layout.areas) if area.end > end]
    record = inspection.layout.record
    return (*causes_in(inspection, lost), *((("record-sound", record.area),) if record else ()))


@once
def changed_checksums(inspection: Inspection) -> dict[str, bool]:
    """Checksums whose own bytes changed after the join, and whether nothing else did.

    Their place is blank, or the record's digests vouch for what they cover, or with the right checksum for all else.
    """
    found = {}
    for checksum in inspection.layout.checksums:
        covered, place = known_coverage(inspection, checksum), inspection.patches.known.get(checksum.name)
        if inspection.record is None or isinstance(covered, str) or place is None:
            continue
        expected = checksum_bytes(inspection.layout, inspection.image, checksum, covered)
        stored = inspection.bytes_of(place)
        if isinstance(expected, Problem) or stored == expected:
            continue
        alone = inspection.explains and _as_recorded_with(inspection, place, expected)
        if alone or is_blank(stored) or unchanged_since_join(inspection, covered):
            found[checksum.name] = alone
    return found


def _as_recorded_with(inspection: Inspection, place: Span, data: bytes) -> bool:
    """Whether the image would be as recorded with these bytes."""
    restored = inspection.image.copy()
    restored.write(place.start, data)
    return as_recorded(replace(inspection, image=restored)) is True


def is_blank(data: bytes) -> bool:
    """Whether bytes are all erased, or all zero."""
    return data.count(data[0]) == len(data) and data[0] in (0x00, 0xFF)


def alias_causes(inspection: Inspection, span: Span) -> Iterator[Cause]:
    """What bytes that are missing follow from where the image has them at an alias of their memory."""
    located = locate(inspection.layout, span.start)
    for start in starts_of(located.memory, None) if located else ():
        if located and start != located.memory.start:
            seen = span.moved(start - located.memory.start)
            if inspection.image.held_in(seen) and not inspection.image.held_in(span):
                yield "image-inside-memories", located.memory.name
