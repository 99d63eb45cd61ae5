"""Rule ``rest-digest-matches``: flash outside the builds is as it was at the join."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from gemel.checking.findings.build_evidence import of_record
from gemel.checking.rule import Rule
from gemel.inspection.altered.unchanged import digest_of_rest, joined_with_other_layout, spans_of_rest
from gemel.inspection.image_bytes import not_erased
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import see
from gemel.layout.model import RecordPlan
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.placed import sha256_of
from gemel.spans import Span, without

if TYPE_CHECKING:
    from gemel.inspection.altered.changed_bytes import Cause
    from gemel.record.record import Record


@of_record
def check(inspection: Inspection, plan: RecordPlan, record: Record) -> Iterator[Outcome]:
    """One outcome: the digest over flash less builds, record, seal and reserved areas."""
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
        follows_from=(*_causes(inspection, spans), *_seal_there(inspection, record, spans)),
        next_step=_filled(inspection, record, spans),
    )


def _seal_there(inspection: Inspection, record: Record, spans: list[Span]) -> Iterator[Cause]:
    """The missing seal, where all is as it was at the join but for a seal away from its area."""
    from gemel.checking.findings.seal_evidence import of_seal_astray, seals_astray

    for astray in seals_astray(inspection):
        image = inspection.image.copy()
        image.erase(astray)
        if sha256_of(inspection.layout, image, spans) == record.rest_sha256:
            yield from of_seal_astray(inspection, astray)


def _filled(inspection: Inspection, record: Record, spans: list[Span]) -> str:
    """What to do where gaps that were erased at the join are filled with zeros, as some converters fill them."""
    digest = hashlib.sha256()
    for span in spans:
        erased = inspection.erased_byte_at(span.start)
        digest.update(re.sub(rb"\0{4,}", partial(_erased, erased), inspection.bytes_of(span)))
    if digest.digest() != record.rest_sha256:
        return ""
    fill = inspection.erased_byte_at(spans[0].start)
    again = f"convert it again with the erased byte in its gaps (objcopy --gap-fill 0x{fill:02X})"
    return f"{again}, or take the file as joined"


def _erased(erased: int, run: re.Match[bytes]) -> bytes:
    return bytes((erased,)) * len(run[0])


def _causes(inspection: Inspection, spans: list[Span]) -> Iterator[Cause]:
    """Bytes in no area, values that the join writes, other builds, or another record.

    A build whose bytes changed, where more of it is in its area than should be.
    """
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
    for entry in inspection.record.builds if inspection.record else ():
        plan = layout.builds.get(entry.name)
        rests = without([layout.span_of(plan.stored_in)], [entry.stored, *places.values()]) if plan else []
        if any(not_erased(inspection.image, rest, inspection.erased_byte_at(rest.start)) for rest in rests):
            yield "record-digests-match", entry.name
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
