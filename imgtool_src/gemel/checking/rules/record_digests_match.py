"""Rule ``record-digests-match``: each build's bytes are those that were recorded."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.findings.build_evidence import of_record
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.layout.model import RecordPlan
from gemel.outcomes import Finding, Holds, Outcome
from gemel.placement.placed import digests_of
from gemel.record.record import BuildEntry, Record
from gemel.spans import Span, format_address
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.inspection.altered.changed_bytes import Cause


@of_record
def check(inspection: Inspection, plan: RecordPlan, record: Record) -> Iterator[Outcome]:
    """One outcome for each build that the record lists: its CRC-32 and its SHA-256."""
    changed: list[BuildEntry] = []
    for entry in record.builds:
        where = f"build {entry.name}, {entry.stored}"
        memories = inspection.layout.memories.values()
        if not any(memory.holds_image and memory.span.covers(entry.stored) for memory in memories):
            yield Finding(
                f"the record has build {entry.name} outside flash",
                (entry.name, entry.core, plan.area),
                where=where,
                found=str(entry.stored),
                expected="inside one flash or rom memory",
            )
            continue
        actual = digests_of(inspection.layout, inspection.image, entry.stored)
        if (actual.crc32, actual.sha256) == (entry.crc32, entry.sha256):
            yield Holds(f"build {entry.name}")
        else:
            changed.append(entry)
    for entry in changed:
        actual = digests_of(inspection.layout, inspection.image, entry.stored)
        other = next((each for each in changed if _are_exchanged(inspection, entry, each)), None)
        finding = Finding(
            f"the bytes of build {entry.name} are not those that the record was made for",
            (entry.name, entry.core, plan.area),
            where=f"build {entry.name}, {entry.stored}",
            found=f"CRC-32 0x{actual.crc32:08X}, SHA-256 {actual.sha256.hex()[:16]}...",
            expected=f"CRC-32 0x{entry.crc32:08X}, SHA-256 {entry.sha256.hex()[:16]}... as the record says",
            span=entry.stored,
            follows_from=tuple(_causes(inspection, entry)),
        )
        if other:
            finding = replace(
                finding,
                what=f"builds {entry.name} and {other.name} are in each other's place",
                found=f"the bytes of build {other.name}",
                expected=f"its own, which are at {format_address(other.stored_start)}",
                follows_from=(*finding.follows_from, (RULE.name, other.name)),
            )
        yield finding


def _are_exchanged(inspection: Inspection, one: BuildEntry, other: BuildEntry) -> bool:
    """Whether the bytes of each of two builds start where those of the other should."""
    pairs = ((one, other), (other, one)) if one is not other else ()
    memories = [memory.span for memory in inspection.layout.memories.values() if memory.holds_image]
    spans = [(each, Span(place.stored_start, each.stored.size)) for each, place in pairs]
    return bool(spans) and all(
        any(memory.covers(span) for memory in memories)
        and digests_of(inspection.layout, inspection.image, span).sha256 == each.sha256
        for each, span in spans
    )


def _causes(inspection: Inspection, entry: BuildEntry) -> Iterator[Cause]:
    """Another build is there, its bytes are other ones by more than a digest, or the record is of another image."""
    from gemel.inspection.altered.changed_bytes import OTHER_BYTES, changed_checksums

    yield "build-ids-equal", entry.name
    for rule in OTHER_BYTES:
        if rule != RULE.name:
            yield rule, entry.name
    for checksum in changed_checksums(inspection):
        if entry.stored.covers(inspection.patches.known[checksum]):
            yield "checksums-match", checksum
    for stamp in inspection.layout.stamps:
        place = inspection.patches.known.get(stamp.name)
        if place and entry.stored.covers(place):
            yield "stamps-match", stamp.name
    if inspection.layout.record:
        yield "seal-over-this-record", inspection.layout.record.area


RULE = Rule(
    name="record-digests-match",
    severity="error",
    guards="image",
    checks="The CRC-32 and the SHA-256 of each build's stored span are those that the record holds.",
    why="A build whose bytes changed after the join is not what was checked and released; the core runs "
    "whatever the bytes now say.",
    remedy="Join again from the builds, or get the image again; never patch an image by hand.",
    source="FIPS 180-4 (SHA-256); RFC 9124 section 3.13, payload digests",
    absent="the layout has no record",
    check=check,
)
