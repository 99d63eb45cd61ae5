r"""S-record, read and written in all three address widths.

Source: M68000 Family Programmer's Reference Manual, Appendix C, "S-Record Output Format" (from memory,
with its printed example); S6 is a later, common extension.  One record a line, all but the ``S`` in
hexadecimal digits, two a byte, high digit first::

    S  type  count  address  data ...  checksum
    1   1      2    4, 6, 8             2         characters

    count     number of bytes after it: address, data and checksum; at least 3 to 5, at most 255
    address   16, 24 or 32 bits, big-endian
    checksum  one's complement of the low byte of the sum of count, address and data

    type  address bytes  means
    S0    2              header text in the data; address 0000
    S1    2              data                              ended by S9
    S2    3              data                              ended by S8
    S3    4              data                              ended by S7
    S4    -              reserved
    S5    2              the address is the number of S1, S2 and S3 records so far
    S6    3              the same, with 24 bits
    S7    4              end; the address is the entry
    S8    3              end; the address is the entry
    S9    2              end; the address is the entry

The address of the end record cannot be left out: 0 stands for no entry here.
"""

from __future__ import annotations

import struct
from binascii import Error, hexlify, unhexlify
from collections.abc import Iterable, Iterator

from gemel.image.columns import (
    MAX_SUMMED,
    assembled,
    check_form,
    data_of,
    row_blocks,
    row_sums,
    unhex_rows,
)
from gemel.image.gathering import NOT_A_RECORD, RESEND, Gathering, fault_of_digits, line_words
from gemel.image.image import Decoded
from gemel.image.sparse import SparseBytes
from gemel.image.text_lines import RecordReader, scan
from gemel.spans import Span, format_address

ADDRESS_BYTES = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}
"""Width of the address field of each type; 4 is reserved."""

END_OF_WIDTH = {2: 9, 3: 8, 4: 7}
"""Type of the end record for each width of the data records' addresses."""

MAX_HEADER = 252
"""Bytes of text that fit an S0 record."""

INVERTED = bytes(0xFF - value for value in range(256))
"""Translates the low byte of a sum to the checksum byte."""


def decode(blocks: Iterable[bytes], name: str) -> Decoded:
    """Read an S-record file from ``blocks`` of any size; ``name`` says in problems which file it is.

    Lower case, any line end, blank lines, white space around records and any order of addresses are
    accepted; S0 is not looked into.  Remarks report mixed address widths and bytes given twice alike.
    Raises ImageFormatError with the problems: unreadable lines, wrong counts, checksums or types,
    bytes beyond the address width, two different bytes for one address, a wrong number of records, an
    end record that does not fit the data, data after it, no end record.
    """
    reader = _Reader(Gathering(name))
    return reader.finish(scan(blocks, reader))


class _Reader(RecordReader):
    """The state between records: how many data records of which widths."""

    name, longest, end_record = "an S-record", 514, "S7, S8 or S9"

    def __init__(self, gathering: Gathering) -> None:
        super().__init__(gathering)
        self.data_records = self.unreadable = 0
        self.widths: set[int] = set()

    def lose(self, text: bytes) -> None:
        self.unreadable += 1

    def record(self, number: int, text: bytes) -> None:
        raw = self._record(number, text)
        if raw is None:
            self.lose(text)
            return
        self.gathering.has_record = True
        kind, width = raw[0], ADDRESS_BYTES[raw[0]]
        address, data = int.from_bytes(raw[2 : 2 + width], "big"), raw[2 + width : -1]
        if kind in (1, 2, 3):
            self._data(number, width, address, data)
        elif kind and data:
            self.gathering.refuse(
                number, f"wrong length of the S{kind} record", found=f"{raw[1]}", expected=f"{width + 1}"
            )
            self.gathering.end_line = number if kind > 6 else self.gathering.end_line
        elif kind in (5, 6):
            self._check_count(number, address)
        elif kind:
            self._end(number, kind, width, address)

    def rows(self, number: int, text: bytes, width: int) -> bool:
        count = len(text) // width
        if self.gathering.end_line or text[:1] != b"S" or text[1:2] not in (b"1", b"2", b"3"):
            return False
        if text[0::width] != b"S" * count:
            return False
        # With 0 for S, the type reads as one more byte in front of the record.
        digits = bytearray(text)
        digits[0::width] = b"0" * count
        raw = unhex_rows(digits, width)
        if raw is None:
            return False
        kind, size = raw[0], len(raw) // count
        bytes_of_address = ADDRESS_BYTES[kind]
        row = size - bytes_of_address - 3
        first = int.from_bytes(raw[2 : 2 + bytes_of_address], "big")
        if row < 1 or size > MAX_SUMMED or first + count * row > 1 << 8 * bytes_of_address:
            return False
        prefix = _prefix(kind, first, count, row)
        if any(raw[j::size] != column for j, column in enumerate(prefix)):
            return False
        if row_sums(raw, size) != bytes(((0xFF + kind) & 0xFF,)) * count:
            return False
        self._note_width(number, bytes_of_address)
        self.data_records += count
        self.gathering.take(number, first, data_of(raw, size, len(prefix)), row)
        return True

    def _record(self, number: int, text: bytes) -> bytes | None:
        refuse = self.gathering.refuse
        if text[:1] not in (b"S", b"s") or not text[1:2].isdigit():
            found, step = line_words(text)
            refuse(
                number, NOT_A_RECORD, found=found, expected="a line that begins with S0 to S9", next_step=step
            )
            return None
        width = ADDRESS_BYTES.get(int(text[1:2]))
        if width is None:
            refuse(number, "a record of a reserved type", found="S4", expected="S0 to S3 or S5 to S9")
            return None
        try:
            raw = unhexlify(b"0" + text[1:])
        except Error:
            what, found, expected = fault_of_digits(text[2:], 3)
            refuse(number, what, found=found, expected=expected)
            return None
        count, given = int.from_bytes(raw[1:2], "big"), max(0, len(raw) - 2)
        if given != count or count <= width:
            expected = f"{count} bytes by its count" if count > width else f"at least {width + 1} bytes"
            what = "a line longer than its record" if given > count > width else "a cut line"
            refuse(number, what, found=f"{given} bytes after the count", expected=expected)
            return None
        if sum(raw[1:]) & 0xFF != 0xFF:
            self.refuse_checksum(number, raw[-1], INVERTED[sum(raw[1:-1]) & 0xFF])
            return None
        return raw

    def _data(self, number: int, width: int, address: int, data: bytes) -> None:
        self._note_width(number, width)
        self.data_records += 1
        if address + len(data) > 1 << 8 * width:
            last = Span(address, len(data)).last
            self.gathering.refuse(
                number,
                f"a record goes beyond its {8 * width}-bit addresses",
                found=format_address(last),
                expected=f"{format_address((1 << 8 * width) - 1)} at most",
            )
        elif data:
            self.gathering.take(number, address, data, len(data))

    def _note_width(self, number: int, width: int) -> None:
        """Remember the width of a data record's address; remarks on a second width."""
        if self.widths and width not in self.widths:
            self.gathering.remark(
                number,
                "records with addresses of different widths are mixed",
                "check whether two files were concatenated",
            )
        self.widths.add(width)

    def _check_count(self, number: int, count: int) -> None:
        """Compare an S5 or S6 record with the records before it; says nothing if some were unreadable."""
        if count != self.data_records and not self.unreadable:
            self.gathering.refuse(
                number,
                "wrong number of data records",
                found=f"{self.data_records:,} before this line",
                expected=f"{count:,} by this line",
                next_step=f"{RESEND}: some records are missing or too many",
            )

    def _end(self, number: int, kind: int, width: int, entry: int) -> None:
        self.gathering.end_line = number
        self.entry = entry or None
        widest = max(self.widths, default=width)
        if width != widest and not self.unreadable:
            self.gathering.refuse(
                number,
                "an end record that does not fit the data",
                found=f"S{kind}",
                expected=f"S{END_OF_WIDTH[widest]} after S{widest - 1} records",
            )


def encode(image: SparseBytes, entry: int | None = None, row: int = 16, header: str = "") -> Iterator[bytes]:
    """Write ``image`` as S-records, in blocks of up to 64 KiB of data.

    An S0 record with ``header`` in UTF-8; data records of ``row`` (16 or 32) bytes at multiples of ``row``,
    shorter only at the ends of a run, with the narrowest addresses that reach the last byte and the
    entry; their number as S5 or S6 unless it exceeds 24 bits; the end record with ``entry``, 0 for None.
    Upper-case digits, LF.  Raises ValueError for another row or entry and for more than 252 bytes of header.
    """
    check_form(row, entry)
    text = header.encode()
    if len(text) > MAX_HEADER:
        raise ValueError(f"a header of {len(text)} bytes; expected at most {MAX_HEADER}")
    return _encoded(image, entry or 0, row, text)


def _encoded(image: SparseBytes, entry: int, row: int, header: bytes) -> Iterator[bytes]:
    bounds = image.bounds()
    highest = max(entry, bounds.last if bounds else 0)
    width = 2 if highest < 1 << 16 else 3 if highest < 1 << 24 else 4
    count = 0
    yield _record(0, 0, header)
    for address, data, size in row_blocks(image, row):
        yield _data_records(width - 1, address, data, size)
        count += len(data) // size
    if count < 1 << 24:
        yield _record(5 if count < 1 << 16 else 6, count, b"")
    yield _record(END_OF_WIDTH[width], entry, b"")


def _record(kind: int, address: int, data: bytes) -> bytes:
    width = ADDRESS_BYTES[kind]
    raw = bytes((width + len(data) + 1,)) + address.to_bytes(width, "big") + data
    return b"S%d" % kind + hexlify(raw + bytes((INVERTED[sum(raw) & 0xFF],))).upper() + b"\n"


def _data_records(kind: int, first: int, data: bytes, row: int) -> bytes:
    """Return data records of ``row`` bytes each, from address ``first`` on, as lines."""
    types, *prefix = _prefix(kind, first, len(data) // row, row)
    size = len(prefix) + row + 2
    raw = assembled([bytes(len(types)), *prefix], data, row)
    raw[size - 1 :: size] = row_sums(raw, size).translate(INVERTED)
    raw[0::size] = types
    return b"S" + hexlify(raw, b"\n", size).upper().replace(b"\n0", b"\nS")[1:] + b"\n"


def _prefix(kind: int, first: int, count: int, row: int) -> list[bytes]:
    """Return the columns type, count and address of ``count`` data records on end."""
    width = ADDRESS_BYTES[kind]
    addresses = struct.pack(f">{count}I", *range(first, first + count * row, row))
    return [
        bytes((kind,)) * count,
        bytes((width + row + 1,)) * count,
        *(addresses[4 - width + j :: 4] for j in range(width)),
    ]
