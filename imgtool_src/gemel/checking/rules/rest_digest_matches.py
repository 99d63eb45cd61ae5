"""Rule ``rest-digest-matches``: flash outside the builds is as it was at the join."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.image_bytes import not_erased
from gemel.inspection.inspection import Inspection
from gemel.inspection.unchanged import digest_of_rest, joined_with_other_layout, spans_of_rest
from gemel.inspection.wording import record_not_sound, see
from gemel.outcomes import Finding, Holds, NotChecked, Outcome


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
    runs = [
        str(found.span)
        for span in spans_of_rest(inspection, record)
        for part in inspection.image.held_in(span)
        if (found := not_erased(inspection.image, part, inspection.erased_byte_at(part.start)))
    ]
    shown = f"{', '.join(runs[:4])}{', ...' if runs[4:] else ''}" if runs else "nothing"
    yield Finding(
        "flash outside the builds is not as it was at the join",
        ("rest", plan.area),
        where=f"flash outside the builds, where not erased: {shown}",
        found=f"SHA-256 {actual.hex()[:16]}...",
        expected=f"SHA-256 {record.rest_sha256.hex()[:16]}... as the record says",
    )


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
