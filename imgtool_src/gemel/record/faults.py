"""Everything that can be wrong with a record, as pairs of fault and problem.

First the frame (mark, format, sizes, bytes available); only when it stands, the contents: CRC, then the
header's fields, then each entry's, then entries against each other.  The C reader keeps the same order
and stops at the first fault, so that both give the same verdict.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from gemel.errors import Problem
from gemel.record.format import (
    BUILD,
    BUILD_SIZE,
    CRC_SIZE,
    FORMAT,
    HEADER,
    HEADER_SIZE,
    MARK,
    MAX_BUILDS,
    ROLES,
    RecordFault,
    RecordField,
    record_size,
)
from gemel.spans import ADDRESS_SPACE, Span, format_address, format_size

RecordFinding = tuple[RecordFault, Problem]
Values = Mapping[str, Any]
"""A header's or an entry's values by the names of their fields, as ``struct`` unpacks them."""

_FRAME = struct.Struct("<8sHHIHH")
_DAMAGED = "the record is damaged or was written by another tool: get the image again, or join again"


def _finding(
    fault: RecordFault, what: str, where: str, *, found: str, expected: str, next_step: str = _DAMAGED
) -> RecordFinding:
    return fault, Problem(what, where=where, found=found, expected=expected, next_step=next_step)


def frame_findings(view: memoryview, where: str) -> Iterator[RecordFinding]:
    """What keeps the record at the start of ``view`` from being taken apart; nothing if it can be."""
    mark = bytes(view[: len(MARK)])
    if mark != MARK:
        found = mark.hex(" ").upper() or "no bytes"
        yield _finding(
            RecordFault.NO_MARK,
            "no record here",
            where,
            found=found,
            expected=f"the mark {MARK.hex(' ').upper()}",
            next_step="",
        )
    elif len(view) < HEADER_SIZE:
        yield _cut(found=len(view), expected=HEADER_SIZE, where=where)
    else:
        yield from _size_findings(view, where)


def _size_findings(view: memoryview, where: str) -> Iterator[RecordFinding]:
    _, form, header_size, size, count, build_size = _FRAME.unpack_from(view)
    if form != FORMAT:
        yield _finding(
            RecordFault.UNKNOWN_FORMAT,
            "unknown format of the record",
            where,
            found=f"format {form}",
            expected=f"format {FORMAT}",
            next_step="a newer gemel wrote this record: read it with that version"
            if form > FORMAT
            else "no gemel has written such a record: it is damaged",
        )
        return
    right = record_size(count)
    wrong = [
        _finding(
            RecordFault.WRONG_SIZES, f"wrong {name} of the record", where, found=found, expected=expected
        )
        for name, found, expected, fits in (
            ("header_size", f"{header_size:,}", f"{HEADER_SIZE:,}", header_size == HEADER_SIZE),
            ("build_size", f"{build_size:,}", f"{BUILD_SIZE:,}", build_size == BUILD_SIZE),
            ("record_size", f"{size:,}", f"{right:,}", size == right),
            ("build_count", f"{count:,}", f"1 to {MAX_BUILDS}", 1 <= count <= MAX_BUILDS),
        )
        if not fits
    ]
    yield from wrong
    if not wrong and size > len(view):
        yield _cut(found=len(view), expected=size, where=where)


def _cut(*, found: int, expected: int, where: str) -> RecordFinding:
    return _finding(
        RecordFault.CUT,
        "the record is cut",
        where,
        found=format_size(found),
        expected=f"at least {format_size(expected)}",
        next_step="the image or the record's area ends too early",
    )


def content_findings(
    view: memoryview, header: Values, entries: Sequence[Values], where: str
) -> Iterator[RecordFinding]:
    """What is wrong inside a record whose frame stands; ``view`` is the record, no more."""
    stored = int.from_bytes(view[-CRC_SIZE:], "little")
    right = zlib.crc32(view[:-CRC_SIZE])
    if stored != right:
        yield _finding(
            RecordFault.WRONG_CRC,
            "wrong CRC of the record",
            where,
            found=f"0x{stored:08X}",
            expected=f"0x{right:08X}",
        )
    yield from _text_findings(HEADER, header, where)
    yield from _zero_findings(HEADER, header, where)
    for index, entry in enumerate(entries):
        yield from _entry_findings(entry, f"{where}, entry {index}")
    yield from _pair_findings(entries, where)


def _text_findings(fields: Iterable[RecordField], values: Values, where: str) -> Iterator[RecordFinding]:
    for field in fields:
        if field.kind == "text":
            text, ended, padding = values[field.name].partition(b"\0")
            place = f"{where}, {field.name}"
            if not ended:
                yield _finding(
                    RecordFault.NAME_NOT_ENDED,
                    "the name is not ended",
                    place,
                    found=_shown(text),
                    expected=f"a zero byte within {field.size} bytes",
                )
            elif fault := _text_fault(text, padding):
                yield _finding(
                    RecordFault.NAME_NOT_TEXT,
                    fault,
                    place,
                    found=_shown(text),
                    expected="UTF-8, 1 to 31 bytes, then zeros",
                )


def _text_fault(text: bytes, padding: bytes) -> str:
    """What keeps ``text`` from being a name; empty if nothing does."""
    if not text:
        return "the name is empty"
    if padding.strip(b"\0"):
        return "bytes after the end of the name are not zero"
    try:
        decoded = text.decode("utf-8")
    except UnicodeDecodeError:
        return "the name is not UTF-8"
    if not decoded.isprintable() and any(ord(sign) < 0x20 or 0x7F <= ord(sign) < 0xA0 for sign in decoded):
        return "the name holds control characters"
    return ""


def _shown(text: bytes) -> str:
    return repr(text.decode("utf-8", "backslashreplace"))


def _zero_findings(fields: Iterable[RecordField], values: Values, where: str) -> Iterator[RecordFinding]:
    for field in fields:
        if field.kind == "zero" and values[field.name].strip(b"\0"):
            yield _finding(
                RecordFault.RESERVED_NOT_ZERO,
                "a reserved byte of the record is not zero",
                f"{where}, offset 0x{field.offset:02X}",
                found=values[field.name].hex(" ").upper(),
                expected="zeros",
            )


def _entry_findings(entry: Values, where: str) -> Iterator[RecordFinding]:
    """What is wrong with one entry by itself, in the order that the C reader keeps too."""
    yield from _text_findings(BUILD, entry, where)
    if entry["role"] not in ROLES:
        yield _finding(
            RecordFault.UNKNOWN_ROLE,
            "unknown role of the core",
            where,
            found=str(entry["role"]),
            expected="1 or 2",
        )
    size, field = entry["build_id_size"], entry["build_id"]
    if size > len(field):
        yield _finding(
            RecordFault.WRONG_BUILD_ID,
            "wrong size of the build id",
            where,
            found=str(size),
            expected=f"0 to {len(field)}",
        )
    elif field[size:].strip(b"\0"):
        what = "bytes after the end of the build id are not zero"
        yield _finding(
            RecordFault.WRONG_BUILD_ID, what, where, found=field[size:].hex(" ").upper(), expected="zeros"
        )
    for name in ("stored_start", "run_start"):
        start, stored_size = entry[name], entry["stored_size"]
        if stored_size == 0 or start + stored_size > ADDRESS_SPACE:
            what = "the span of the build is empty or runs past the end of the address space"
            found = f"{format_size(stored_size)} from {format_address(start)} on"
            right = f"at least 1 byte, up to {format_address(ADDRESS_SPACE - 1)}"
            yield _finding(RecordFault.WRONG_SPAN, what, f"{where}, {name}", found=found, expected=right)
    yield from _zero_findings(BUILD, entry, where)


def _pair_findings(entries: Sequence[Values], where: str) -> Iterator[RecordFinding]:
    for index, entry in enumerate(entries):
        span = Span(entry["stored_start"], entry["stored_size"])
        for earlier, other in enumerate(entries[:index]):
            both = f"{where}, entries {earlier} and {index}"
            if entry["name"] == other["name"]:
                yield _finding(
                    RecordFault.NAME_TWICE,
                    "two builds have the same name",
                    both,
                    found=_shown(entry["name"].partition(b"\0")[0]),
                    expected="two names",
                )
            other_span = Span(other["stored_start"], other["stored_size"])
            if span.overlaps(other_span):
                yield _finding(
                    RecordFault.BUILDS_OVERLAP,
                    "the stored spans of two builds overlap",
                    both,
                    found=f"{other_span} and {span}",
                    expected="separate spans",
                )


def unfit_findings(header: Values, entries: Sequence[Values]) -> Iterator[RecordFinding]:
    """Values to be written that their fields cannot hold, or that would be read as "none"."""
    if not 1 <= len(entries) <= MAX_BUILDS:
        yield unfit("the record", "number of builds", found=str(len(entries)), expected=f"1 to {MAX_BUILDS}")
    yield from _field_findings(HEADER, header, "the record")
    for index, entry in enumerate(entries):
        yield from _field_findings(BUILD, entry, f"the record, entry {index}")


def unfit(where: str, name: str, *, found: str, expected: str) -> RecordFinding:
    """A value that the field of that name cannot hold."""
    what = f"{name} does not fit the record"
    return _finding(RecordFault.NO_FIT, what, where, found=found, expected=expected, next_step="")


def _field_findings(fields: Iterable[RecordField], values: Values, where: str) -> Iterator[RecordFinding]:
    for field in fields:
        value = values[field.name]
        if field.kind in ("u16", "u32"):
            largest = (1 << 8 * field.size) - 1
            if not 0 <= value <= largest:
                yield unfit(where, field.name, found=f"{value:,}", expected=f"0 to {largest:,}")
            continue
        limits = {"text": (1, field.size - 1), "bytes": (0, field.size), "sha256": (field.size, field.size)}
        least, most = limits.get(field.kind, (0, field.size))
        if not least <= len(value) <= most:
            expected = f"{least} to {most} bytes" if least != most else f"{most} bytes"
            yield unfit(where, field.name, found=format_size(len(value)), expected=expected)
