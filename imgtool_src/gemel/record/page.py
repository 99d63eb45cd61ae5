"""The record's page (``page.txt``), 80 columns wide: what is put into it is made from the table that readers use."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.record.format import (
    BUILD,
    BUILD_SIZE,
    FORMAT,
    HEADER,
    HEADER_SIZE,
    MAX_BUILDS,
    RecordFault,
    RecordField,
    record_size,
)
from gemel.text.templates import filled
from gemel.text.wrapping import wrapped

_WIDTH = 79
_ROW = 8
_CELL = 8

_TYPES = {
    "mark": "bytes",
    "u16": "u16",
    "u32": "u32",
    "text": "text",
    "bytes": "bytes",
    "uuid": "UUID",
    "sha256": "bytes",
    "zero": "bytes",
}


def page() -> str:
    """The format, byte by byte: diagram and fields of header and entry, CRC, digests, faults, cautions."""
    numbers = {
        "format": FORMAT,
        "header_size": HEADER_SIZE,
        "build_size": BUILD_SIZE,
        "max_builds": MAX_BUILDS,
        "size_of_two": record_size(2),
        "size_of_most": record_size(MAX_BUILDS),
    }
    parts = {
        **{name: [f"{number:,}"] for name, number in numbers.items()},
        "header": (*_diagram(HEADER), "", *_rows(HEADER)),
        "build": (*_diagram(BUILD), "", *_rows(BUILD)),
        "faults": _faults(),
    }
    return filled("gemel.record", "page.txt", parts)


def _diagram(fields: tuple[RecordField, ...]) -> Iterator[str]:
    """Eight bytes to a line; a field of several lines takes one, with its size."""
    rule = "     +" + ("-" * (_CELL - 1) + "+") * _ROW
    yield "      " + "".join(f"{f'+{column}':^{_CELL}}" for column in range(_ROW)).rstrip()
    yield rule
    line = ""
    for field in fields:
        width = min(field.size, _ROW) * _CELL - 1
        label = field.name if field.size <= _ROW else f"{field.name} ({field.size} bytes)"
        line = line or f"0x{field.offset:02X} |"
        line += f"{label:^{width}}|"
        if (field.offset + field.size) % _ROW == 0:
            yield line
            yield rule
            line = ""


def _rows(fields: tuple[RecordField, ...]) -> Iterator[str]:
    yield f"{'from':6}{'size':>4}  {'type':6}{'field':15}meaning"
    for field in fields:
        meaning = f"{field.meaning} [{field.source}]" if field.source else field.meaning
        head = f"0x{field.offset:02X}  {field.size:>4}  {_TYPES[field.kind]:6}{field.name:15}"
        yield from wrapped(meaning, _WIDTH, head)


def _faults() -> Iterator[str]:
    faults = sorted((fault for fault in RecordFault if fault.code), key=lambda fault: fault.code)
    for fault in faults:
        yield from wrapped(fault.meaning, _WIDTH, f"{fault.code:2}. ")
