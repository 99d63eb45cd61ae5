"""The record's format, version 1, stated once: a table of fields for the header and one for an entry.

A record is the small table inside an image that says what it holds.  All of it is little-endian,
every field is naturally aligned, and the record starts at a multiple of 4, so that C code may lay a
struct over it.  ``HEADER`` and ``BUILD`` below are what ``record`` encodes and decodes by, what
``page`` prints, and what ``gemel.export.c_reader`` turns into C structs.
"""

from __future__ import annotations

from enum import Enum
from struct import Struct
from typing import Literal

from gemel.structs import NamedTuple

MARK = b"GEMELREC"
"""The eight bytes that start a record; as two little-endian words 0x454D4547, 0x4345524C."""

FORMAT = 1
"""The only format so far.  A change that an old reader would misread gets the next number."""

RECORD_ALIGNMENT = 4
"""A record's address is a multiple of this."""

MAX_BUILDS = 16
"""Entries that one record may hold; a reader needs no more than 2,756 bytes."""

CRC_SIZE = 4
"""Bytes of the CRC-32/ISO-HDLC that ends the record."""

NO_VECTORS = 0xFFFF_FFFF
"""The value of ``vector_address`` for a build without a vector table."""

ROLES = {1: "primary", 2: "secondary"}
"""Values of an entry's ``role``."""

FieldType = Literal["mark", "u16", "u32", "text", "bytes", "uuid", "sha256", "zero"]

_CODES = {"u16": "H", "u32": "I"}


class RecordField(NamedTuple):
    """One field: where it is, how its bytes are read, and what it says.

    ``offset`` counts bytes from the start of the header or of the entry.  ``text`` is UTF-8 ended and
    padded by zero bytes, ``uuid`` has the byte order of RFC 9562, ``zero`` is reserved.  ``source``
    names the standard that requires such an element, if one does.
    """

    offset: int
    size: int
    name: str
    kind: FieldType
    meaning: str
    source: str = ""


HEADER: tuple[RecordField, ...] = (
    RecordField(0x00, 8, "mark", "mark", 'The bytes 47 45 4D 45 4C 52 45 43, in text "GEMELREC".'),
    RecordField(0x08, 2, "format", "u16", "1. A reader refuses a format it does not know.", "RFC 9124 3.1"),
    RecordField(0x0A, 2, "header_size", "u16", "192: bytes of this header; the first entry follows."),
    RecordField(0x0C, 4, "record_size", "u32", "Bytes of the whole record: header, entries and CRC."),
    RecordField(0x10, 2, "build_count", "u16", "Number of entries, 1 to 16."),
    RecordField(0x12, 2, "build_size", "u16", "160: bytes of one entry."),
    RecordField(
        0x14,
        4,
        "rollback",
        "u32",
        "Rollback counter: a device refuses an image whose counter is below the one it has seen. "
        "Not the version; it never wraps.",
        "RFC 9124 3.2",
    ),
    RecordField(0x18, 2, "major", "u16", "Version of the product, first number."),
    RecordField(0x1A, 2, "minor", "u16", "Version, second number."),
    RecordField(0x1C, 4, "patch", "u32", "Version, third number."),
    RecordField(0x20, 32, "product", "text", "Name of the product in the layout, 1 to 31 bytes."),
    RecordField(
        0x40, 16, "vendor_id", "uuid", "UUID of who makes the device; all zero: not given.", "RFC 9124 3.3"
    ),
    RecordField(
        0x50,
        16,
        "class_id",
        "uuid",
        "UUID of the kind of device the image is for; all zero: not given.",
        "RFC 9124 3.4",
    ),
    RecordField(0x60, 32, "layout_sha256", "sha256", "SHA-256 of the layout that the image was joined by."),
    RecordField(
        0x80, 32, "rest_sha256", "sha256", "SHA-256 of the rest of the flash (see below).", "RFC 9124 4.3.15"
    ),
    RecordField(0xA0, 32, "reserved", "zero", "Zero."),
)
"""The header's fields, in order and without gaps."""

BUILD: tuple[RecordField, ...] = (
    RecordField(0x00, 32, "name", "text", "Name of the build in the layout, 1 to 31 bytes; no two the same."),
    RecordField(0x20, 32, "core", "text", "Name of the core that runs it, 1 to 31 bytes.", "RFC 9124 3.11"),
    RecordField(0x40, 2, "role", "u16", "The core's role: 1 primary, 2 secondary."),
    RecordField(0x42, 2, "build_id_size", "u16", "Bytes of the build id that count, 0 to 32; 0: none."),
    RecordField(
        0x44, 4, "stored_start", "u32", "First address of the stored span, in flash.", "RFC 9124 3.10"
    ),
    RecordField(
        0x48,
        4,
        "stored_size",
        "u32",
        "Bytes of the stored span, at least 1. It ends inside the 32-bit address space and shares no "
        "byte with another entry's.",
        "RFC 9124 3.14",
    ),
    RecordField(
        0x4C,
        4,
        "run_start",
        "u32",
        "Address of the span's first byte when the core runs it; equals stored_start for a build that "
        "executes in place.",
        "RFC 9124 3.22",
    ),
    RecordField(
        0x50,
        4,
        "vector_address",
        "u32",
        "Run address of the vector table, as the core sees it; 0xFFFFFFFF: none.",
        "RFC 9124 3.23",
    ),
    RecordField(0x54, 4, "crc32", "u32", "CRC-32/ISO-HDLC of the bytes of the stored span."),
    RecordField(
        0x58, 32, "build_id", "bytes", "The linker's build id; the bytes that do not count are zero."
    ),
    RecordField(0x78, 32, "sha256", "sha256", "SHA-256 of the bytes of the stored span.", "RFC 9124 3.13"),
    RecordField(0x98, 8, "reserved", "zero", "Zero."),
)
"""An entry's fields, in order and without gaps; one entry for each build."""


def _struct_of(fields: tuple[RecordField, ...]) -> Struct:
    return Struct("<" + "".join(_CODES.get(field.kind, f"{field.size}s") for field in fields))


HEADER_STRUCT = _struct_of(HEADER)
BUILD_STRUCT = _struct_of(BUILD)
HEADER_SIZE = HEADER_STRUCT.size
BUILD_SIZE = BUILD_STRUCT.size


class RecordFault(Enum):
    """What can be wrong with a record: first with its frame (1 to 4), then with its contents.

    ``code`` is the number of the C reader's enumerator of the same name; ``meaning`` its text.
    """

    NO_MARK = 1, "no record: the mark is not there"
    UNKNOWN_FORMAT = 2, "the record has a format that this reader does not know"
    WRONG_SIZES = 3, "the record's sizes and count do not fit together"
    CUT = 4, "the record runs past the end of the memory given"
    WRONG_CRC = 5, "the record's CRC does not match its bytes"
    NAME_NOT_ENDED = 6, "a name has no terminating zero byte"
    NAME_NOT_TEXT = 7, "a name is empty, not UTF-8, not padded with zeros, or holds control characters"
    UNKNOWN_ROLE = 8, "a core's role is neither primary nor secondary"
    WRONG_BUILD_ID = 9, "a build id is longer than its field or not padded with zeros"
    WRONG_SPAN = 10, "a build's span is empty or runs past the end of the address space"
    RESERVED_NOT_ZERO = 11, "a reserved byte is not zero"
    NAME_TWICE = 12, "two builds have the same name"
    BUILDS_OVERLAP = 13, "the stored spans of two builds overlap"
    NO_FIT = 0, "a value does not fit the field it belongs in"

    def __init__(self, code: int, meaning: str) -> None:
        self.code = code
        self.meaning = meaning


def record_size(build_count: int) -> int:
    """Bytes of a record with ``build_count`` entries."""
    return HEADER_SIZE + build_count * BUILD_SIZE + CRC_SIZE
