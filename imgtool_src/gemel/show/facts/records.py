"""The records in an image, and whether what they say is what the image holds."""

from __future__ import annotations

import hashlib
import zlib

from gemel.errors import Problem
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Layout
from gemel.placement.placed import PlacedBuild, blocks_of, rest_spans, sha256_of
from gemel.record.format import MAX_BUILDS, RecordFault
from gemel.record.record import MAX_MARKS, BuildEntry, Record, RecordError, decode, find, record_size
from gemel.show.facts.contents import BrokenRecord, Match, RecordBuild, RecordFacts
from gemel.spans import ADDRESS_SPACE, Address, Span, format_address

MAX_RECORDS = 16
"""Sound records that are shown, and places of others."""


def records(
    image: SparseBytes, inspection: Inspection | None
) -> tuple[tuple[RecordFacts, ...], tuple[BrokenRecord, ...]]:
    """The sound records in ``image``, by address, and where a mark or the layout promises one that is not sound.

    ``inspection`` is the image with its layout, if any.  Of more than there can be in earnest, the number is reported.
    """
    sound: list[RecordFacts] = []
    broken: list[BrokenRecord] = []
    expected = _expected(inspection)
    found = sorted({*find(image.pieces()), *(() if expected is None else (expected,))})
    places = [expected, *found[:MAX_MARKS]] if expected is not None else found[:MAX_MARKS]
    left_out = found[MAX_MARKS:]
    for start in dict.fromkeys(places):
        read = _read(image, start)
        if start != expected and len(sound if isinstance(read, Record) else broken) >= MAX_RECORDS:
            left_out.append(start)
        elif isinstance(read, Record):
            sound.append(_facts(image, inspection, start, read))
        else:
            problems = tuple(_words(problem) for problem in read.problems)
            missing = RecordFault.NO_MARK in read.faults
            broken.append(BrokenRecord(Address(start), start == expected, missing, problems))
    if left_out:
        words = f"{len(left_out):,} further marks of records, from here on, are not shown"
        broken.append(BrokenRecord(Address(min(left_out)), False, False, (words,)))
    return (
        tuple(sorted(sound, key=lambda each: each.span)),
        tuple(sorted(broken, key=lambda each: each.start)),
    )


def _expected(inspection: Inspection | None) -> int | None:
    plan = inspection.layout.record if inspection else None
    return inspection.layout.span_of(plan.area).start if inspection and plan else None


def _read(image: SparseBytes, start: int) -> Record | RecordError:
    span = Span(start, min(record_size(MAX_BUILDS), ADDRESS_SPACE - start))
    try:
        return decode(image.read(span, 0xFF), format_address(start))
    except RecordError as error:
        return error


def _words(problem: Problem) -> str:
    parts = [problem.what]
    if problem.found:
        parts.append(f"found {problem.found}")
    if problem.expected:
        parts.append(f"expected {problem.expected}")
    return "; ".join(parts)


def _match(same: bool) -> Match:
    return "matches" if same else "differs"


def _is_of_layout(inspection: Inspection, record: Record) -> bool:
    if record.layout_sha256 == inspection.read.digest:
        return True
    from gemel.inspection.altered.unchanged import names_other_layout  # few images are of another layout

    return not names_other_layout(inspection, record)


def _facts(image: SparseBytes, inspection: Inspection | None, start: int, record: Record) -> RecordFacts:
    span = Span(start, record_size(len(record.builds)))
    expected = _expected(inspection)
    layout = inspection.layout if inspection else None
    return RecordFacts(
        span=span,
        in_its_area=None if expected is None else start == expected,
        product=record.product,
        version=record.version,
        rollback=record.rollback,
        vendor_id=str(record.vendor_id) if record.vendor_id else None,
        class_id=str(record.class_id) if record.class_id else None,
        layout_sha256=record.layout_sha256,
        layout=_match(_is_of_layout(inspection, record)) if inspection else "not known",
        rest_sha256=record.rest_sha256,
        rest=_rest(image, layout, record, span) if layout else "not known",
        builds=tuple(_build(image, inspection, entry) for entry in record.builds),
    )


def _rest(image: SparseBytes, layout: Layout, record: Record, span: Span) -> Match:
    placed = {
        entry.name: PlacedBuild(entry.name, entry.core, entry.stored, entry.run_start, 0, None)
        for entry in record.builds
    }
    return _match(sha256_of(layout, image, rest_spans(layout, placed, span)) == record.rest_sha256)


def _build(image: SparseBytes, inspection: Inspection | None, entry: BuildEntry) -> RecordBuild:
    crc, digest = _digests(image, inspection, entry.stored)
    given = inspection.builds.get(entry.name) if inspection else None
    of_file: Match = "not known"
    if given and not given.reason_for("build id"):
        of_file = _match((given.build_id or b"") == entry.build_id)
    return RecordBuild(
        name=entry.name,
        core=entry.core,
        role=entry.role,
        stored=entry.stored,
        run_start=Address(entry.run_start),
        vectors=None if entry.vector_address is None else Address(entry.vector_address),
        build_id=entry.build_id or None,
        build_id_of_file=of_file,
        crc32=Address(entry.crc32),
        crc32_of_image=_match(crc == entry.crc32),
        sha256=entry.sha256,
        sha256_of_image=_match(digest == entry.sha256),
    )


def _digests(
    image: SparseBytes, inspection: Inspection | None, stored: Span
) -> tuple[int | None, bytes | None]:
    """CRC-32 and SHA-256 of the bytes in ``stored``.

    With a layout, bytes that the file does not hold count as erased; without one nobody knows what an
    erased byte reads, and a span that is not held in full has neither.
    """
    if inspection is None and not image.holds(stored):
        return None, None
    crc, digest = 0, hashlib.sha256()
    held = (view for _, view in image.pieces(stored))
    for block in blocks_of(inspection.layout, image, stored) if inspection else held:
        crc = zlib.crc32(block, crc)
        digest.update(block)
    return crc, digest.digest()
