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

if TYPE_CHECKING:
    from gemel.inspection.altered.changed_bytes import Cause


@of_record
def check(inspection: Inspection, plan: RecordPlan, record: Record) -> Iterator[Outcome]:
    """One outcome for each build that the record lists: its CRC-32 and its SHA-256."""
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
            continue
        yield Finding(
            f"the bytes of build {entry.name} are not those that the record was made for",
            (entry.name, entry.core, plan.area),
            where=where,
            found=f"CRC-32 0x{actual.crc32:08X}, SHA-256 {actual.sha256.hex()[:16]}...",
            expected=f"CRC-32 0x{entry.crc32:08X}, SHA-256 {entry.sha256.hex()[:16]}... as the record says",
            span=entry.stored,
            follows_from=tuple(_causes(inspection, entry)),
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
