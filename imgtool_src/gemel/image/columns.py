"""Many equally long records at once, handled column by column instead of row by row.

``raw`` is always a whole number of records of ``size`` bytes, one after the other; column ``j`` is
``raw[j::size]``, the byte ``j`` of every record.  Slices with a stride and whole-number arithmetic run
at the speed of the interpreter's C code, where a loop over records does not.
"""

from __future__ import annotations

from binascii import Error, unhexlify
from collections.abc import Iterator, Sequence

from gemel.image.sparse import SparseBytes
from gemel.spans import ADDRESS_SPACE, Span, align_down

SEGMENT = 1 << 16
"""Bytes that one block of records may span: what 16 bits of address reach."""

ROWS = (16, 32)
"""Data bytes a record that the text formats are written with."""

MAX_SUMMED = 257
"""Longest record in bytes whose bytes, 255 each, still sum up to a 16-bit number."""


def check_form(row: int, entry: int | None) -> None:
    """Raise ValueError for records of another size than ``ROWS`` and an entry of more than 32 bits."""
    if row not in ROWS:
        raise ValueError(f"{row} data bytes a record; expected 16 or 32")
    if entry is not None and not 0 <= entry < ADDRESS_SPACE:
        raise ValueError(f"the entry {entry:#x} is outside the 32-bit address space")


def row_blocks(image: SparseBytes, row: int) -> Iterator[tuple[int, bytes, int]]:
    """Cut ``image`` into (address, data, bytes a record), the last dividing the length of the data.

    A block is within one 64 KiB.  Records of ``row`` bytes, a power of two, are at multiples of
    ``row``; a shorter one comes only at an end of a run of held bytes.  So what is written depends on
    nothing but the bytes held, and a changed byte changes one record.
    """
    for span in image.spans():
        start = span.start
        while start < span.end:
            if start % row or span.end - start < row:
                end = min(span.end, align_down(start, row) + row)
                size = end - start
            else:
                end = min(align_down(span.end, row), align_down(start, SEGMENT) + SEGMENT)
                size = row
            yield start, image.read(Span.from_bounds(start, end), None), size
            start = end


def row_sums(raw: bytes | bytearray, size: int) -> bytes:
    """Return the low byte of the sum of every record's bytes; ``size`` is 1 to ``MAX_SUMMED``.

    Each column is read as one large number.  Its even bytes are added up apart, so that every sum has 16 bits to
    grow into and never carries into its neighbour; what is left of the sum of all is that of the odd bytes.
    """
    count = len(raw) // size
    lanes = int.from_bytes(b"\xff\x00" * ((count + 1) // 2), "little")
    even = both = 0
    for j in range(size):
        column = int.from_bytes(raw[j::size], "little")
        even += column & lanes
        both += column
    odd = both - even
    return ((even & lanes) | (odd & lanes << 8)).to_bytes(count + count % 2, "little")[:count]


def assembled(prefix: Sequence[bytes], data: bytes | memoryview, row: int, after: int = 1) -> bytearray:
    """Return records of the columns ``prefix``, ``row`` bytes of ``data`` each, and ``after`` bytes 0."""
    size = len(prefix) + row + after
    raw = bytearray(len(data) // row * size)
    for j, column in enumerate(prefix):
        raw[j::size] = column
    for j in range(row):
        raw[len(prefix) + j :: size] = data[j::row]
    return raw


def data_of(raw: bytes, size: int, prefix: int) -> bytearray:
    """Return the data of every record: what is between ``prefix`` bytes and the checksum byte."""
    row = size - prefix - 1
    data = bytearray(len(raw) // size * row)
    for j in range(row):
        data[j::row] = raw[prefix + j :: size]
    return data


def unhex_rows(text: bytes | bytearray, width: int, mark: bytes = b"") -> bytes | None:
    """Return the bytes of equally long lines of hexadecimal digits, or None if they are not just that.

    Every line is ``width`` characters: ``mark`` (no digits), an even number of digits, LF or CRLF.
    """
    count = len(text) // width
    end = b"\r\n" if text[width - 2 : width] == b"\r\n" else b"\n"
    frame = mark + end
    columns = [*range(len(mark)), *range(width - len(end), width)]
    digits = text.translate(None, frame)
    if len(digits) != count * (width - len(frame)) or (width - len(frame)) % 2:
        return None
    if any(text[j::width] != bytes((c,)) * count for j, c in zip(columns, frame, strict=True)):
        return None
    try:
        return unhexlify(digits)
    except Error:
        return None
