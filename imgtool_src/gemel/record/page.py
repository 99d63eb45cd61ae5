"""The record's format as one page of text, 80 columns wide, made from the table that readers use."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

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

_OPENING = f"""\
The record, format {FORMAT}
=================

The record is a small table inside an image that says what the image holds. A
layout gives it an area; `gemel join` writes it there, at the area's start.

    header               {HEADER_SIZE} bytes
    entry of a build     {BUILD_SIZE} bytes, once for each build, 1 to {MAX_BUILDS}
    CRC                    4 bytes

{record_size(2)} bytes for two builds, {record_size(MAX_BUILDS):,} bytes for {MAX_BUILDS}.
The entries are in ascending order of stored_start, whatever the order of the
builds in the layout: the same builds give the same record. A reader refuses no
other order.

Every number is little-endian, every field naturally aligned, and the record
starts at an address that is a multiple of 4: C code may lay a struct over it.
u16 and u32 are unsigned. Text is UTF-8 without control characters, ended by a
zero byte and padded with zeros to its field's end. A UUID has the byte order
of RFC 9562: the order in which it is written. Reserved bytes are zero, and a
reader refuses others."""

_CLOSING = """\
The CRC
-------
The last four bytes are the CRC-32/ISO-HDLC of every byte of the record before
them (width 32, polynomial 0x04C11DB7, start 0xFFFFFFFF, input and output
reflected, result inverted; "123456789" gives 0xCBF43926), as a u32.

The bytes that the digests cover
--------------------------------
Stored span of a build: from stored_start on, stored_size bytes, as the image
holds them after stamps and checksums were written. Bytes in it that nothing
wrote count as the erased byte of their memory.

The rest of the flash: every byte of the layout's flash memories that is
outside the stored spans of the builds, the record's own bytes, the seal's area
and the areas of purpose `reserved` and `settings`, by ascending address, each
memory to its end. Bytes that nothing wrote count as the erased byte of their
memory. So data that is in the image but in no build cannot change unseen, and
neither can bytes that should have been left erased (RFC 9124 4.3.15). The
seal's area is held by the form of the seal: whatever is not the seal is
erased. A reserved area is what the device has from elsewhere, or in `settings`
writes, and no digest covers it: an image must not name a byte in it (rule
`reserved-areas-untouched`), and on the device nothing here protects it.

The layout: its parsed TOML as JSON in UTF-8 with sorted keys and no white
space, sizes and offsets as numbers of bytes ("4 KiB" is 4096), less keys with
their default value (`gemel explain layout`), and less what says where a file
is and how an image is judged: every build's `path`, the tables `rules` and
`rehearsal`, and of `seal` all but its area. Comments and the order of keys do
not change it. For example, this layout

    format = 1
    product = "tide-gauge"
    version = "1.0.0"

    [memory.flash]
    kind = "flash"
    start = 0x1000_0000
    size = "64 KiB"
    erased_byte = 0xFF                 # the default

    [memory.ram]
    kind = "ram"
    start = 0x2000_0000
    size = 0x4000

    [core.station]
    role = "primary"
    architecture = "armv7e-m"
    interrupts = 16
    ram = ["data"]

    [area.code]
    memory = "flash"
    offset = 0
    size = "32 KiB"
    purpose = "code"

    [area.data]
    memory = "ram"
    offset = 0
    size = "16 KiB"
    purpose = "data"

    [build.station]
    path = "station.elf"
    core = "station"
    stored_in = "code"

is this JSON, its lines joined without anything between them,

    {"area":{"code":{"memory":"flash","offset":0,"purpose":"code",
    "size":32768},"data":{"memory":"ram","offset":0,"purpose":"data",
    "size":16384}},"build":{"station":{"core":"station",
    "stored_in":"code"}},"core":{"station":{"architecture":"armv7e-m",
    "interrupts":16,"ram":["data"],"role":"primary"}},"format":1,
    "memory":{"flash":{"kind":"flash","size":65536,"start":268435456},
    "ram":{"kind":"ram","size":16384,"start":536870912}},
    "product":"tide-gauge","version":"1.0.0"}

and its SHA-256 is the digest:

    6f5a838af3d443977127f529372a46dc6b999b74ea4c5057cbb19563150137e4

The record covers itself with its CRC, and the seal, where there is one, signs
the record's bytes from the mark to the CRC. As the record holds a digest of
the builds and of the rest, that one signature covers them too."""

_CAUTIONS = """\
What it is not
--------------
A sound record is evidence of what was joined. It is not a safety approval, and
it does not show who made the image: anyone can change a record and recompute
its CRC. Authenticity needs the seal, checked against a key you trust."""


def page() -> str:
    """The format, byte by byte: diagram and fields of header and entry, CRC, digests, faults, cautions."""
    parts = [
        _OPENING,
        _titled("Header", _diagram(HEADER)),
        "\n".join(_rows(HEADER)),
        _titled("Entry of a build", _diagram(BUILD)),
        "\n".join(_rows(BUILD)),
        _CLOSING,
        _titled("What a reader refuses", _faults()),
        _CAUTIONS,
    ]
    return "\n\n".join(parts) + "\n"


def _titled(title: str, lines: Iterable[str]) -> str:
    return "\n".join([title, "-" * len(title), *lines])


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
