"""The record: written into an image at join, read from any image.

The format is in ``format``; ``page`` prints a picture of it.

    +--------+---------+-----+---------+-----+
    | header | entry 0 | ... | entry n | CRC |     192 + 160 * builds + 4 bytes
    +--------+---------+-----+---------+-----+

A record is evidence of what an image holds.  Its CRC guards against accident, not against intent:
anyone who changes a record can recompute it.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Iterator
from typing import Any, Literal

from gemel.errors import GemelError
from gemel.image.sparse import SparseBytes, places_in
from gemel.record.faults import RecordFinding, content_findings, frame_findings, unfit, unfit_findings
from gemel.record.format import (
    BUILD,
    BUILD_SIZE,
    BUILD_STRUCT,
    CRC_SIZE,
    FORMAT,
    HEADER,
    HEADER_SIZE,
    HEADER_STRUCT,
    MARK,
    MAX_BUILDS,
    NO_VECTORS,
    RECORD_ALIGNMENT,
    ROLES,
    RecordFault,
    RecordField,
    record_size,
)
from gemel.spans import ADDRESS_SPACE, Span
from gemel.structs import Struct, fields, replace
from gemel.uuids import Uuid

__all__ = ["BuildEntry", "Record", "RecordError", "RecordFault", "decode", "encode", "find", "record_size"]


class RecordError(GemelError):
    """Bytes are not a sound record, or values do not fit one.

    ``faults`` names the kind of each problem, in the same order as ``problems``.
    """

    def __init__(self, findings: Iterable[RecordFinding]) -> None:
        """Take the kind and the words of each problem; raises ValueError for none."""
        found = tuple(findings)
        super().__init__(problem for _, problem in found)
        self.faults: tuple[RecordFault, ...] = tuple(fault for fault, _ in found)


class BuildEntry(Struct):
    """What a record says of one build.

    Addresses are 0 to 2**32 - 1.  ``run_start`` is where the byte stored at ``stored_start`` is when
    the core runs, ``vector_address`` the run address of the vector table (None: the build has none),
    ``build_id`` 0 to 32 bytes (empty: the build has none), ``crc32`` and ``sha256`` those of the bytes
    of the stored span.
    """

    name: str
    core: str
    role: Literal["primary", "secondary"]
    stored_start: int
    stored_size: int
    run_start: int
    vector_address: int | None
    crc32: int
    sha256: bytes
    build_id: bytes = b""

    @property
    def stored(self) -> Span:
        """Where the build's bytes are in the image."""
        return Span(self.stored_start, self.stored_size)

    @property
    def run(self) -> Span:
        """Where the same bytes are when the core runs them."""
        return Span(self.run_start, self.stored_size)


class Record(Struct):
    """What one image holds.

    ``major`` and ``minor`` are 0 to 65,535, ``patch`` and ``rollback`` 0 to 2**32 - 1; the ids are None
    where the layout gives none; the digests are 32 bytes; ``builds`` has 1 to 16 entries.
    """

    product: str
    major: int
    minor: int
    patch: int
    rollback: int
    layout_sha256: bytes
    rest_sha256: bytes
    builds: tuple[BuildEntry, ...]
    vendor_id: Uuid | None = None
    class_id: Uuid | None = None

    @property
    def version(self) -> str:
        """The product's version as ``major.minor.patch``."""
        return f"{self.major}.{self.minor}.{self.patch}"


def encode(record: Record) -> bytes:
    """The record's bytes; ``record_size(len(record.builds))`` of them, the same for equal records.

    Raises RecordError with every value that does not fit its field, and for entries that would not be
    read back as sound (alike names, overlapping spans).
    """
    header = _header_values(record)
    entries = [_entry_values(entry) for entry in record.builds]
    if findings := list(unfit_findings(header, entries)):
        raise RecordError(findings)
    data = bytearray(HEADER_STRUCT.pack(*(header[field.name] for field in HEADER)))
    for entry in entries:
        data += BUILD_STRUCT.pack(*(entry[field.name] for field in BUILD))
    data += zlib.crc32(data).to_bytes(CRC_SIZE, "little")
    try:
        read = decode(data, "the record to be written")
    except RecordError as error:
        causes = (replace(problem, next_step="") for problem in error.problems)
        raise RecordError(zip(error.faults, causes, strict=True)) from error
    _refuse_changed(record, read)
    return bytes(data)


def decode(data: bytes | bytearray | memoryview, where: str) -> Record:
    """The record at the start of ``data``; bytes after it are not looked at.

    ``where`` says in the problems whose bytes these are.  Raises RecordError with everything that is
    wrong; where mark, format or sizes are, nothing after them can be read and nothing more is said.
    """
    view = memoryview(data).cast("B")
    findings = list(frame_findings(view, where))
    if findings:
        raise RecordError(findings)
    header = _values(HEADER, HEADER_STRUCT, view, 0)
    places = range(HEADER_SIZE, header["record_size"] - CRC_SIZE, BUILD_SIZE)
    entries = [_values(BUILD, BUILD_STRUCT, view, place) for place in places]
    findings += content_findings(view[: header["record_size"]], header, entries, where)
    if findings:
        raise RecordError(findings)
    return _record_of(header, entries)


def find(pieces: Iterable[tuple[int, memoryview]]) -> list[int]:
    """Addresses, multiples of 4, at which the mark is in ``pieces`` of (address, bytes), ascending.

    Pieces are taken in ascending order; a mark may be across two that touch.  Where the mark is
    there need be no record: code that looks for records can hold the mark too.
    """
    return [at for at in places_in(pieces, MARK) if at % RECORD_ALIGNMENT == 0]


def _header_values(record: Record) -> dict[str, Any]:
    return {
        "mark": MARK,
        "format": FORMAT,
        "header_size": HEADER_SIZE,
        "record_size": record_size(len(record.builds)),
        "build_count": len(record.builds),
        "build_size": BUILD_SIZE,
        "rollback": record.rollback,
        "major": record.major,
        "minor": record.minor,
        "patch": record.patch,
        "product": record.product.encode("utf-8", "surrogatepass"),
        "vendor_id": bytes(16) if record.vendor_id is None else record.vendor_id.bytes,
        "class_id": bytes(16) if record.class_id is None else record.class_id.bytes,
        "layout_sha256": record.layout_sha256,
        "rest_sha256": record.rest_sha256,
        "reserved": b"",
    }


def _entry_values(entry: BuildEntry) -> dict[str, Any]:
    codes = {name: code for code, name in ROLES.items()}
    return {
        "name": entry.name.encode("utf-8", "surrogatepass"),
        "core": entry.core.encode("utf-8", "surrogatepass"),
        "role": codes.get(entry.role, 0),
        "build_id_size": len(entry.build_id),
        "stored_start": entry.stored_start,
        "stored_size": entry.stored_size,
        "run_start": entry.run_start,
        "vector_address": NO_VECTORS if entry.vector_address is None else entry.vector_address,
        "crc32": entry.crc32,
        "build_id": entry.build_id,
        "sha256": entry.sha256,
        "reserved": b"",
    }


def _refuse_changed(record: Record, read: Record) -> None:
    """Raise RecordError for values that stand for "none" or lose something, and so read back otherwise."""
    pairs: list[tuple[str, Any, Any]] = [("the record", record, read)]
    pairs += [
        (f"the record, {one.name}", one, two) for one, two in zip(record.builds, read.builds, strict=True)
    ]
    findings = [
        unfit(
            where,
            name,
            found=repr(getattr(one, name)),
            expected=f"a value that is not read as {getattr(two, name)!r}",
        )
        for where, one, two in pairs
        for name in fields(one)
        if name != "builds" and getattr(one, name) != getattr(two, name)
    ]
    if findings:
        raise RecordError(findings)


def _values(
    table: tuple[RecordField, ...], form: struct.Struct, view: memoryview, offset: int
) -> dict[str, Any]:
    return dict(zip([field.name for field in table], form.unpack_from(view, offset), strict=True))


def _record_of(header: dict[str, Any], entries: list[dict[str, Any]]) -> Record:
    same = ("major", "minor", "patch", "rollback", "layout_sha256", "rest_sha256")
    return Record(
        product=_text(header["product"]),
        builds=tuple(_entry_of(entry) for entry in entries),
        vendor_id=_uuid(header["vendor_id"]),
        class_id=_uuid(header["class_id"]),
        **{name: header[name] for name in same},
    )


def _entry_of(entry: dict[str, Any]) -> BuildEntry:
    vectors = entry["vector_address"]
    same = ("stored_start", "stored_size", "run_start", "crc32", "sha256")
    return BuildEntry(
        name=_text(entry["name"]),
        core=_text(entry["core"]),
        role="primary" if ROLES[entry["role"]] == "primary" else "secondary",
        vector_address=None if vectors == NO_VECTORS else vectors,
        build_id=entry["build_id"][: entry["build_id_size"]],
        **{name: entry[name] for name in same},
    )


def _text(raw: bytes) -> str:
    return raw.partition(b"\0")[0].decode("utf-8")


def _uuid(raw: bytes) -> Uuid | None:
    if not any(raw):
        return None
    return Uuid(raw)


MAX_MARKS = 1024
"""Marks of records that are looked at: an image has one record, or one for each of its slots."""


def record_at(image: SparseBytes, start: int) -> Record | None:
    """The record at an address; None where there is no sound one."""
    span = Span(start, min(record_size(MAX_BUILDS), ADDRESS_SPACE - start))
    try:
        return decode(image.read(span, 0xFF), "")
    except RecordError:
        return None


def sound_records(image: SparseBytes) -> Iterator[tuple[int, Record]]:
    """Address and record of every sound record, of the first ``MAX_MARKS`` marks, by address."""
    for start in find(image.pieces())[:MAX_MARKS]:
        if record := record_at(image, start):
            yield start, record
