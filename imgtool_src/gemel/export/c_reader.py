"""A C99 header that finds and validates the record, walks its builds and its seal, and checks CRCs.

The code is in ``record_reader.h`` next to this file; structs, their compile-time checks, constants and
errors are filled in from the table of ``record_format``, so that they follow the format by themselves.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.export.c_seal_reader import c_seal_reader
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
    Field,
    RecordFault,
)

FILE_NAME = "gemel_record.h"
"""The name of the header."""

READER_ERRORS = {
    "MISALIGNED": (14, "the address or step is not a multiple of 4"),
    "BUILD_OUTSIDE": (15, "a build is outside the memories given"),
    "BUILD_CRC": (16, "a build's bytes do not have the CRC that the record states"),
}
"""Errors of the reader's own, besides the faults of a record: code and text by name."""

_TYPES = {"u16": "uint16_t", "u32": "uint32_t"}
_STRUCTS = {"gemel_record": HEADER, "gemel_build": BUILD}
_ABOUT = {
    "gemel_record": "The record's header; record_size is its whole size, entries and CRC included.",
    "gemel_build": "The entry of one build. Numbers of `role`: GEMEL_ROLE_PRIMARY, GEMEL_ROLE_SECONDARY.",
}


def c_reader() -> str:
    """The header's text: self-contained C99, also valid C++, without warnings under ``-Wall -Wextra``."""
    from importlib.resources import files

    text = files("gemel.export").joinpath("record_reader.h").read_text(encoding="utf-8")
    text = text.replace("/* @seal@ */\n", c_seal_reader())
    parts = {
        "defines": _defines(),
        "structs": _structs(),
        "checks": _checks(),
        "errors": _errors(),
        "texts": _texts(),
        "crc": _crc_table(),
    }
    for name, lines in parts.items():
        text = text.replace(f"/* @{name}@ */", "\n".join(lines))
    return text.replace("@format@", str(FORMAT))


def _defines() -> Iterator[str]:
    name_sizes = {field.size for fields in _STRUCTS.values() for field in fields if field.kind == "text"}
    yield f"#define GEMEL_RECORD_MARK {', '.join(f'0x{byte:02X}u' for byte in MARK)}"
    yield f"#define GEMEL_RECORD_FORMAT {FORMAT}u"
    yield f"#define GEMEL_RECORD_ALIGNMENT {RECORD_ALIGNMENT}u"
    yield f"#define GEMEL_RECORD_MAX_BUILDS {MAX_BUILDS}u"
    yield f"#define GEMEL_RECORD_CRC_SIZE {CRC_SIZE}u"
    yield f"#define GEMEL_NAME_SIZE {max(name_sizes)}u"
    yield f"#define GEMEL_NO_VECTORS 0x{NO_VECTORS:08X}u"
    for code, role in ROLES.items():
        yield f"#define GEMEL_ROLE_{role.upper()} {code}u"


def _structs() -> Iterator[str]:
    for index, (name, fields) in enumerate(_STRUCTS.items()):
        if index:
            yield ""
        yield f"/* {_ABOUT[name]} */"
        yield f"struct {name} {{"
        for field in fields:
            yield f"    {_declaration(field)}; /* 0x{field.offset:02X} */"
        yield "};"


def _declaration(field: Field) -> str:
    if field.kind in _TYPES:
        return f"{_TYPES[field.kind]} {field.name}"
    return f"{'char' if field.kind == 'text' else 'uint8_t'} {field.name}[{field.size}]"


def _checks() -> Iterator[str]:
    for name, fields in _STRUCTS.items():
        size = fields[-1].offset + fields[-1].size
        yield f"GEMEL_HOLDS({name}_size, sizeof(struct {name}) == {size}u);"
        for field in fields:
            place = f"offsetof(struct {name}, {field.name}) == 0x{field.offset:02X}u"
            yield f"GEMEL_HOLDS({name}_{field.name}, {place});"
            if field.kind == "text":
                size_of = f"sizeof(((struct {name} *)0)->{field.name}) == GEMEL_NAME_SIZE"
                yield f"GEMEL_HOLDS({name}_{field.name}_size, {size_of});"


def _all_errors() -> list[tuple[int, str, str]]:
    """Code, enumerator and text of every error, by code."""
    errors = [(0, "SOUND", "sound")]
    errors += [(fault.code, fault.name, fault.meaning) for fault in RecordFault if fault.code]
    errors += [(code, name, text) for name, (code, text) in READER_ERRORS.items()]
    return [(code, f"GEMEL_RECORD_{name}", text) for code, name, text in sorted(errors)]


def _errors() -> Iterator[str]:
    yield "enum gemel_record_error {"
    lines = [f"    {name} = {code}" for code, name, _ in _all_errors()]
    yield ",\n".join(lines)
    yield "};"


def _texts() -> Iterator[str]:
    for _, name, text in _all_errors():
        yield f"    case {name}:"
        yield f'        return "{text}";'


def _crc_table() -> Iterator[str]:
    """The CRC of each half byte: polynomial 0x04C11DB7, reflected."""
    values = []
    for value in range(16):
        for _ in range(4):
            value = value >> 1 ^ (0xEDB88320 if value & 1 else 0)
        values.append(f"0x{value:08X}u")
    for start in range(0, 16, 4):
        yield "        " + ", ".join(values[start : start + 4]) + ","
