"""A C99 header that finds and validates the record, walks its builds and its seal, and checks CRCs.

The code is the template ``gemel_record.h`` next to this file; structs, their compile-time checks, constants and
errors are filled in from the table of the record's format, so that they follow the format by themselves.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.export.c_seal_reader import seal_facts
from gemel.record.format import (
    BUILD,
    CRC_SIZE,
    FORMAT,
    HEADER,
    MARK,
    MAX_BUILDS,
    NO_VECTORS,
    RECORD_ALIGNMENT,
    ROLES,
    RecordFault,
)
from gemel.text.templates import environment

FILE_NAME = "gemel_record.h"
"""The name of the header."""

READER_ERRORS = {
    "MISALIGNED": (14, "the address or step is not a multiple of 4"),
    "BUILD_OUTSIDE": (15, "a build is outside the memories given"),
    "BUILD_CRC": (16, "a build's bytes do not have the CRC that the record states"),
}
"""Errors of the reader's own, besides the faults of a record: code and text by name."""

_STRUCTS = {"gemel_record": HEADER, "gemel_build": BUILD}


def c_reader() -> str:
    """The header's text: self-contained C99, also valid C++, without warnings under ``-Wall -Wextra``."""
    made = environment(__package__, lambda value: value, autoescape=False)
    made.filters.update(c_byte="0x{:02X}".format, c_word="0x{:08X}u".format, c_bytes=_bytes, c_lines=_lines)
    return made.get_template(FILE_NAME).render(
        mark=MARK,
        format=FORMAT,
        alignment=RECORD_ALIGNMENT,
        max_builds=MAX_BUILDS,
        crc_size=CRC_SIZE,
        name_size=max(field.size for fields in _STRUCTS.values() for field in fields if field.kind == "text"),
        no_vectors=NO_VECTORS,
        roles=ROLES,
        structs=_STRUCTS,
        types={"u16": "uint16_t", "u32": "uint32_t", "text": "char"},
        errors=sorted(_errors()),
        crc_table=[_crc(value) for value in range(16)],
        **seal_facts(),
    )


def _errors() -> Iterator[tuple[int, str, str]]:
    """Code, enumerator and text of every error."""
    yield 0, "SOUND", "sound"
    yield from ((fault.code, fault.name, fault.meaning) for fault in RecordFault if fault.code)
    yield from ((code, name, text) for name, (code, text) in READER_ERRORS.items())


def _bytes(data: bytes) -> str:
    return ", ".join(f"0x{byte:02X}u" for byte in data)


def _lines(data: bytes) -> str:
    """The bytes of a define that takes several lines."""
    rows = [_bytes(data[start : start + 14]) for start in range(0, len(data), 14)]
    return "\\\n    " + ", \\\n    ".join(rows)


def _crc(value: int) -> int:
    """The CRC of half a byte: polynomial 0x04C11DB7, reflected."""
    for _ in range(4):
        value = value >> 1 ^ (0xEDB88320 if value & 1 else 0)
    return value
