"""Rule ``rest-digest-matches``: flash outside the builds is as it was at the join."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.inspection.altered.unchanged import digest_of_rest, joined_with_other_layout, spans_of_rest
from gemel.inspection.image_bytes import not_erased
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import record_not_sound, see
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, without

if TYPE_CHECKING:
    from gemel.inspection.altered.changed_bytes import Cause


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome: the digest over flash less builds, record, seal and reserved areas."""
    plan = inspection.layout.record
    if plan is None:
        return
    record = inspection.record
    if record is None:
        yield NotChecked("record", record_not_sound())
        return
    actual = digest_of_rest(inspection, record)
    if actual == record.rest_sha256:
        yield Holds("flash outside the builds")
        return
    if joined_with_other_layout(inspection):
        reason = "the image was joined with another layout, which states what is outside the builds"
        yield NotChecked("flash outside the builds", see("record-of-this-layout", reason))
        return
    spans, written = spans_of_rest(inspection, record), list(inspection.patches.known.values())
    runs = [
        str(found.span)
        for span in without(spans, written)
        for part in inspection.image.held_in(span)
        if (found := not_erased(inspection.image, part, inspection.erased_byte_at(part.start)))
    ]
    shown = f"{', '.join(runs[:4])}{', ...' if runs[4:] else ''}" if runs else "only stamps and checksums"
    yield Finding(
        "flash outside the builds is not as it was at the join",
        ("rest", plan.area),
        where=f"flash outside the builds, where not erased: {shown}",
        found=f"SHA-256 {actual.hex()[:16]}...",
        expected=f"SHA-256 {record.rest_sha256.hex()[:16]}... as the record says",
        follows_from=tuple(_causes(inspection, spans)),
    )


def _causes(inspection: Inspection, spans: list[Span]) -> Iterator[Cause]:
    """Bytes in no area, values that the join writes, other builds, or another record."""
    from gemel.inspection.altered.changed_bytes import changed_checksums

    layout, places = inspection.layout, inspection.patches.known
    yield from (("image-inside-areas", name) for name in layout.memories)
    for rule, names in (
        ("checksums-match", list(changed_checksums(inspection))),
        ("stamps-match", [stamp.name for stamp in layout.stamps if stamp.name in places]),
    ):
        for name in names:
            if any(span.covers(places[name]) for span in spans):
                yield rule, name
    for name in layout.builds:
        yield "vectors-of-own-build", name
        yield "build-ids-equal", name
    if layout.record:
        yield "seal-over-this-record", layout.record.area


RULE = Rule(
    name="rest-digest-matches",
    severity="error",
    guards="image",
    checks="The SHA-256 over all flash outside the builds' stored spans, the record itself, the seal and "
    "reserved areas, unwritten bytes counted as erased, is the one that the record holds.",
    why="Checksums, stamps and data outside the builds steer the start of the device too, and bytes added "
    "where nothing should be can be run by faulty or hostile code.",
    remedy="Get the image again from where it was joined, or join again.",
    source="RFC 9124 section 4.3.15, REQ.SEC.IMG.COMPLETE_DIGEST (draft 13 read); FIPS 180-4",
    absent="the layout has no record",
    check=check,
)
