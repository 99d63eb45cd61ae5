"""Whether bytes of the image are those that the join left, by the digests of its record."""

from __future__ import annotations

from collections.abc import Sequence

from gemel.inspection.image_bytes import not_erased
from gemel.inspection.inspection import Inspection
from gemel.layout.digest import digest_of
from gemel.placement.placed import PlacedBuild, digests_of, rest_spans, sha256_of
from gemel.record.record import BuildEntry, Record, record_size
from gemel.spans import Span, without
from gemel.structs import replace


def joined_with_other_layout(inspection: Inspection) -> bool:
    """Whether the image has a sound record that names another layout than the one given."""
    return inspection.record is not None and names_other_layout(inspection, inspection.record)


def names_other_layout(inspection: Inspection, record: Record) -> bool:
    """Whether a record has the digest of another layout than the one given.

    A layout with the record's own version or rollback counter is no other: rules of their own compare these.
    """
    if record.layout_sha256 == inspection.read.digest:
        return False
    layout = inspection.layout
    made = (
        digest_of(replace(layout, version=version, rollback=rollback))
        for version in dict.fromkeys((layout.version, record.version))
        for rollback in dict.fromkeys((layout.rollback, record.rollback))
    )
    return record.layout_sha256 not in made


def spans_of_rest(inspection: Inspection, record: Record) -> list[Span]:
    """What the record's digest over the rest covers by this layout: flash less builds, record and seal."""
    plan = inspection.layout.record
    recorded = {
        entry.name: PlacedBuild(entry.name, entry.core, entry.stored, entry.run_start, 0, None)
        for entry in record.builds
    }
    start = inspection.layout.span_of(plan.area).start if plan else 0
    return rest_spans(inspection.layout, recorded, Span(start, record_size(len(record.builds))))


def digest_of_rest(inspection: Inspection, record: Record) -> bytes:
    """The SHA-256 that ``rest_sha256`` of the record is of an unchanged image."""
    spans = spans_of_rest(inspection, record)
    name = f"SHA-256 of {spans}"
    digest: bytes = inspection.kept(name, lambda each: sha256_of(each.layout, each.image, spans))
    return digest


def unchanged_since_join(inspection: Inspection, spans: Sequence[Span]) -> bool:
    """Whether the record's digests vouch for all bytes of ``spans``.

    Bytes of builds are vouched for by the build's digest; the others by that over the rest, which only holds
    with the layout that the image was joined with; else they must be erased.
    """
    record = inspection.record
    if record is None:
        return False
    touched = [entry for entry in record.builds if any(entry.stored.overlaps(span) for span in spans)]
    if not builds_as_recorded(inspection, touched):
        return False
    others = without(spans, [entry.stored for entry in touched])
    if not any(not_erased(inspection.image, span, inspection.erased_byte_at(span.start)) for span in others):
        return bool(touched)
    return digest_of_rest(inspection, record) == record.rest_sha256


def as_recorded(inspection: Inspection) -> bool | None:
    """Whether all digests of the record match the image; None without a sound record of this layout.

    Without a layout that was given, what is in no build cannot be compared: None where the builds match.
    """
    record = inspection.record
    if record is None or joined_with_other_layout(inspection):
        return None
    if not builds_as_recorded(inspection, record.builds):
        return False
    return digest_of_rest(inspection, record) == record.rest_sha256 if inspection.read.given else None


def builds_as_recorded(inspection: Inspection, builds: Sequence[BuildEntry]) -> bool:
    """Whether the digests of these entries of the record match the image."""
    memories = [memory.span for memory in inspection.layout.memories.values() if memory.holds_image]
    for entry in builds:
        if not any(memory.covers(entry.stored) for memory in memories):
            return False
        found = digests_of(inspection.layout, inspection.image, entry.stored)
        if (found.crc32, found.sha256) != (entry.crc32, entry.sha256):
            return False
    return True
