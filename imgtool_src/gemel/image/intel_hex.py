r"""Intel HEX, read with every addressing rule and written with linear addresses only.

Source: Hexadecimal Object File Format Specification, Revision A, 6 January 1988 (second-hand: read in
verbatim copies).  One record a line, all in hexadecimal digits, two a byte, high digit first::

    :  RECLEN  OFFSET  RECTYP  DATA ...  CHKSUM
    1    2       4       2     2 x RECLEN  2      characters

    RECLEN  number of data bytes, 0 to 255
    OFFSET  16-bit load offset of a data record, big-endian; 0000 in every other type
    CHKSUM  makes the sum of all bytes from RECLEN on 0 modulo 256

    RECTYP  name                      RECLEN  DATA
    00      data                      any     the bytes
    01      end of file               0       -
    02      extended segment address  2       base = value * 16
    03      start segment address     4       CS and IP of an 8086
    04      extended linear address   2       base = value * 65536
    05      start linear address      4       the entry

All values are big-endian.  A base stays in force until the next 02 or 04 and is 0 at first.  Byte i of
a data record is, after 02, at base + (OFFSET + i) mod 64 Ki: it wraps inside its segment; after 04, or
neither, at base + OFFSET + i: it carries into the next 64 KiB, and beyond 4 GiB is refused here.
"""

from __future__ import annotations

import struct
from binascii import Error, hexlify, unhexlify
from collections.abc import Iterable, Iterator
from functools import lru_cache

from gemel.image.columns import (
    MAX_SUMMED,
    SEGMENT,
    assembled,
    check_form,
    data_of,
    row_blocks,
    row_sums,
    unhex_rows,
)
from gemel.image.gathering import NOT_A_RECORD, Gathering, fault_of_digits, line_words
from gemel.image.image import Decoded
from gemel.image.sparse import SparseBytes
from gemel.image.text_lines import RecordReader, scan
from gemel.spans import ADDRESS_SPACE, Span, format_address

DATA, END, SEGMENT_BASE, SEGMENT_START, LINEAR_BASE, LINEAR_START = range(6)
"""The record types, in the order of their numbers."""

LENGTHS = {END: 0, SEGMENT_BASE: 2, SEGMENT_START: 4, LINEAR_BASE: 2, LINEAR_START: 4}
"""RECLEN of every type but data."""

NAMES = (
    "data",
    "end of file",
    "extended segment address",
    "start segment address",
    "extended linear address",
    "start linear address",
)

NEGATED = bytes(-value & 0xFF for value in range(256))
"""Translates the low byte of a sum to the checksum byte."""


def decode(blocks: Iterable[bytes], name: str) -> Decoded:
    """Read an Intel HEX file from ``blocks`` of any size; ``name`` says in problems which file it is.

    Lower-case digits, any line end, blank lines, white space around records and any order of
    addresses are accepted.  A 03 record gives the entry CS * 16 + IP.  Remarks report mixed 02 and 04
    records, records that cross 64 KiB and bytes given twice alike.  Raises ImageFormatError with the
    problems: unreadable lines, wrong lengths, checksums, types or offsets, bytes beyond 4 GiB, two
    different bytes for one address, two entries, data after the end record, no end record.
    """
    reader = _Reader(Gathering(name))
    return reader.finish(scan(blocks, reader))


class _Reader(RecordReader):
    """The state between records: the base in force, and what was seen."""

    name, longest, end_record = "an Intel HEX", 521, ":00000001FF"

    def __init__(self, gathering: Gathering) -> None:
        super().__init__(gathering)
        self.base: int | None = 0
        """None after a record that cannot be read and may have set the base."""
        self.base_type = LINEAR_BASE
        self.bases_seen: set[int] = set()

    def lose(self, text: bytes) -> None:
        # Better no address than a wrong one, which would be reported as a conflict of good records.
        self.base = self.base if text[7:9] == b"00" else None

    def record(self, number: int, text: bytes) -> None:
        record = self._record(number, text)
        if record is None:
            self.lose(text)
            return
        self.gathering.has_record = True
        kind, offset, data = record[3], int.from_bytes(record[1:3], "big"), record[4:-1]
        if kind == DATA:
            self._data(number, offset, data)
        elif self._fits_type(number, kind, offset, data):
            self._control(number, kind, data)

    def rows(self, number: int, text: bytes, width: int) -> bool:
        raw = unhex_rows(text, width, b":")
        if raw is None or self.gathering.end_line or self.base is None:
            return False
        count, row = len(text) // width, raw[0]
        size, first = row + 5, raw[1] << 8 | raw[2]
        if row == 0 or len(raw) != count * size or size > MAX_SUMMED or first + count * row > SEGMENT:
            return False
        prefix = _prefix(first, count, row)
        if any(raw[j::size] != column for j, column in enumerate(prefix)):
            return False
        if row_sums(raw, size) != bytes(count):
            return False
        self.gathering.take(number, self.base + first, data_of(raw, size, len(prefix)), row)
        return True

    def _record(self, number: int, text: bytes) -> bytes | None:
        """Return the record's bytes from RECLEN to CHKSUM, or None after refusing them."""
        refuse = self.gathering.refuse
        if text[:1] != b":":
            found, step = line_words(text)
            refuse(number, NOT_A_RECORD, found=found, expected="a line that begins with ':'", next_step=step)
            return None
        try:
            raw = unhexlify(text[1:])
        except Error:
            what, found, expected = fault_of_digits(text[1:], 2)
            refuse(number, what, found=found, expected=expected)
            return None
        if len(raw) < 5 or len(raw) != raw[0] + 5:
            expected = f"{raw[0] + 5} bytes by its length field" if raw else "at least 5 bytes"
            what = "a cut line" if not raw or len(raw) < raw[0] + 5 else "a line longer than its record"
            refuse(number, what, found=f"{len(raw)} bytes", expected=expected)
            return None
        if sum(raw) & 0xFF:
            self.refuse_checksum(number, raw[-1], NEGATED[sum(raw[:-1]) & 0xFF])
            return None
        return raw

    def _fits_type(self, number: int, kind: int, offset: int, data: bytes) -> bool:
        """Whether a record other than data keeps its type's rules; refuses it otherwise."""
        length = LENGTHS.get(kind)
        if length is None:
            self.gathering.refuse(number, "unknown record type", found=f"0x{kind:02X}", expected="00 to 05")
        elif len(data) != length:
            self.gathering.refuse(
                number,
                f"wrong length of the {NAMES[kind]} record",
                found=str(len(data)),
                expected=str(length),
            )
        elif offset:
            self.gathering.refuse(
                number, f"the {NAMES[kind]} record has an offset", found=f"0x{offset:04X}", expected="0x0000"
            )
        else:
            return True
        if kind == END:
            self.gathering.end_line = number
        elif kind in (SEGMENT_BASE, LINEAR_BASE):
            self.base = None
        return False

    def _control(self, number: int, kind: int, data: bytes) -> None:
        """Obey a record other than data."""
        value = int.from_bytes(data, "big")
        if kind == END:
            self.gathering.end_line = number
        elif kind == LINEAR_START:
            self._enter(number, value)
        elif kind == SEGMENT_START:
            self._enter(number, (value >> 16) * 16 + (value & 0xFFFF))
        else:
            self.base = value * (SEGMENT if kind == LINEAR_BASE else 16)
            self.base_type = kind
            if self.bases_seen and kind not in self.bases_seen:
                self.gathering.remark(
                    number,
                    "segment and linear addresses (02 and 04 records) are mixed",
                    "check whether two files were concatenated",
                )
            self.bases_seen.add(kind)

    def _enter(self, number: int, entry: int) -> None:
        if self.entry is not None and self.entry != entry:
            self.gathering.refuse(
                number,
                "a second, different entry",
                found=format_address(entry),
                expected=format_address(self.entry),
                next_step="check whether two files were concatenated",
            )
        else:
            self.entry = entry

    def _data(self, number: int, offset: int, data: bytes) -> None:
        """Keep the bytes of a data record, by the rule of the base in force."""
        if self.base is None or not data:
            return
        room = SEGMENT - offset
        if len(data) <= room:
            self.gathering.take(number, self.base + offset, data, len(data))
        elif self.base_type == SEGMENT_BASE:
            self.gathering.remark(
                number,
                "a record wraps inside its 64 KiB segment",
                "check whether the maker meant it to carry",
            )
            self.gathering.take(number, self.base + offset, data[:room], room)
            self.gathering.take(number, self.base, data[room:], len(data) - room)
        elif self.base + offset + len(data) <= ADDRESS_SPACE:
            self.gathering.remark(
                number,
                "a record crosses a 64 KiB boundary",
                "many readers get this wrong: write the file again",
            )
            self.gathering.take(number, self.base + offset, data, len(data))
        else:
            last = Span(self.base + offset, len(data)).last
            self.gathering.refuse(
                number,
                "a record goes beyond 4 GiB",
                found=format_address(last),
                expected="0xFFFF_FFFF at most",
                next_step="check whether its base is right",
            )


def encode(image: SparseBytes, entry: int | None = None, row: int = 16) -> Iterator[bytes]:
    """Write ``image`` as Intel HEX, in blocks of up to 64 KiB of data.

    A 04 record before the data of every 64 KiB, data records of ``row`` (16 or 32) bytes at multiples
    of ``row``, shorter only at the ends of a run, so that none crosses 64 KiB; a 05 record if there is
    an ``entry`` (32 bits); the end record.  Upper-case digits, LF.  Raises ValueError for another row
    or entry.
    """
    check_form(row, entry)
    return _encoded(image, entry, row)


def _encoded(image: SparseBytes, entry: int | None, row: int) -> Iterator[bytes]:
    base = -1
    for address, data, size in row_blocks(image, row):
        if address // SEGMENT != base:
            base = address // SEGMENT
            yield _record(LINEAR_BASE, base.to_bytes(2, "big"))
        yield _data_records(address % SEGMENT, data, size)
    if entry is not None:
        yield _record(LINEAR_START, entry.to_bytes(4, "big"))
    yield _record(END, b"")


def _record(kind: int, data: bytes) -> bytes:
    """One record other than data, as a line."""
    raw = bytes((len(data), 0, 0, kind)) + data
    return b":" + hexlify(raw + bytes((NEGATED[sum(raw) & 0xFF],))).upper() + b"\n"


def _data_records(first: int, data: bytes, row: int) -> bytes:
    """Return data records of ``row`` bytes each, from offset ``first`` on, as lines."""
    count, size = len(data) // row, row + 6
    raw = assembled(_prefix(first, count, row), data, row, after=2)
    raw[size - 2 :: size] = row_sums(raw, size).translate(NEGATED)
    # The last byte of each record makes room for what is between two lines.
    text = bytearray(hexlify(raw).upper())
    text[2 * size - 2 :: 2 * size], text[2 * size - 1 :: 2 * size] = b"\n" * count, b":" * count
    return b":" + text[:-1]


@lru_cache(maxsize=8)
def _prefix(first: int, count: int, row: int) -> tuple[bytes, bytes, bytes, bytes]:
    """Return the columns RECLEN, OFFSET (two) and RECTYP of ``count`` records; segments share them."""
    offsets = struct.pack(f">{count}H", *range(first, first + count * row, row))
    return bytes((row,)) * count, offsets[0::2], offsets[1::2], bytes(count)
