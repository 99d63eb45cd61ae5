"""The CBOR that a COSE structure is made of, deterministic and bounded (RFC 8949 4.2.1).

Only what headers need: integers, byte strings, text, nil, arrays and maps of a stated size, tags.  A head is
one byte of major type (top three bits) and argument, with 1, 2, 4 or 8 bytes more:

    0x00 unsigned   0x20 negative   0x40 bytes   0x60 text   0x80 array   0xA0 map   0xC0 tag   0xF6 nil
    argument 0..23 in the head itself; 24: one byte follows; 25: two; 26: four; 27: eight

A reader takes the shortest head only and no indefinite lengths, so nothing has two encodings.  It never
takes more than the bytes it was given, and does not recurse.
"""

from __future__ import annotations

NIL = b"\xf6"

UNSIGNED, NEGATIVE, BYTES, TEXT, ARRAY, MAP, TAG, SIMPLE = range(8)
"""Major types."""

HeaderValue = int | bytes | str
"""What a header's label or value may be here."""

_NAMES = ("a number", "a negative number", "bytes", "text", "an array", "a map", "a tag", "a constant")


class CborError(ValueError):
    """Bytes are not the CBOR that was due: ``what`` was found instead, ``place`` bytes from the start."""

    def __init__(self, what: str, place: int) -> None:
        super().__init__(f"{what}, at byte {place:,}")
        self.what = what
        self.place = place


def head(major: int, argument: int) -> bytes:
    """The shortest head of that major type; ``argument`` is 0 to 2**64 - 1."""
    if argument < 24:
        return bytes([major << 5 | argument])
    for code, size in ((24, 1), (25, 2), (26, 4), (27, 8)):
        if argument < 1 << 8 * size:
            return bytes([major << 5 | code]) + argument.to_bytes(size, "big")
    raise ValueError("the number does not fit 64 bits")


def encoded(value: HeaderValue) -> bytes:
    """An integer of up to 64 bits, bytes or text."""
    if isinstance(value, int):
        return head(UNSIGNED, value) if value >= 0 else head(NEGATIVE, -1 - value)
    if isinstance(value, bytes):
        return head(BYTES, len(value)) + value
    data = value.encode("utf-8")
    return head(TEXT, len(data)) + data


def encoded_map(entries: dict[HeaderValue, HeaderValue]) -> bytes:
    """A map, its entries sorted by their encoded keys."""
    items = sorted((encoded(key), encoded(value)) for key, value in entries.items())
    return head(MAP, len(items)) + b"".join(key + value for key, value in items)


class CborReader:
    """Takes items from the start of ``data`` on; every method raises CborError for any other item."""

    def __init__(self, data: bytes) -> None:
        """Start at the first byte."""
        self.data = data
        self.place = 0
        """Offset of the next item."""

    def tag(self) -> int:
        """A tag's number; what it tags follows."""
        return self._head_of(TAG)

    def array(self, least: int, most: int) -> int:
        """The number of items of an array; they follow."""
        return self._count(ARRAY, least, most)

    def header_map(self, most: int) -> dict[HeaderValue, HeaderValue]:
        """A map of integers, bytes and text, keys ascending by their encoding."""
        entries: dict[HeaderValue, HeaderValue] = {}
        previous = b""
        for _ in range(self._count(MAP, 0, most)):
            start = self.place
            key = self.value()
            encoding = self.data[start : self.place]
            if encoding <= previous:
                raise CborError("a map's keys are not ascending, or one is there twice", start)
            previous = encoding
            entries[key] = self.value()
        return entries

    def bytes_or_none(self) -> bytes | None:
        """Bytes, or None for nil."""
        if self.data[self.place : self.place + 1] == NIL:
            self.place += 1
            return None
        return self.byte_string()

    def byte_string(self) -> bytes:
        """A byte string."""
        return self._taken(self._head_of(BYTES))

    def value(self) -> HeaderValue:
        """An integer, bytes or text."""
        start = self.place
        major, argument = self._head()
        if major == UNSIGNED:
            return argument
        if major == NEGATIVE:
            return -1 - argument
        if major == BYTES:
            return self._taken(argument)
        if major == TEXT:
            try:
                return self._taken(argument).decode("utf-8")
            except UnicodeDecodeError as error:
                raise CborError("text that is not UTF-8", start) from error
        raise CborError(f"{_NAMES[major]} where a number, bytes or text is expected", start)

    def end(self) -> None:
        """Raises CborError unless every byte was taken."""
        if self.place != len(self.data):
            raise CborError("bytes after the end", self.place)

    def _count(self, major: int, least: int, most: int) -> int:
        start = self.place
        count = self._head_of(major)
        if not least <= count <= most:
            due = str(least) if least == most else f"{least} to {most}"
            raise CborError(f"{_NAMES[major]} of {count:,} where one of {due} is expected", start)
        return count

    def _head_of(self, major: int) -> int:
        start = self.place
        found, argument = self._head()
        if found != major:
            raise CborError(f"{_NAMES[found]} where {_NAMES[major]} is expected", start)
        return argument

    def _head(self) -> tuple[int, int]:
        start = self.place
        first = self._taken(1)[0]
        major, code = first >> 5, first & 31
        if code < 24:
            return major, code
        if code > 27 or major == SIMPLE:
            raise CborError("an indefinite length or a value that CBOR reserves", start)
        size = 1 << code - 24
        argument = int.from_bytes(self._taken(size), "big")
        if argument < (24 if size == 1 else 1 << 4 * size):
            raise CborError("a number that is not written in its shortest form", start)
        return major, argument

    def _taken(self, size: int) -> bytes:
        start = self.place
        if size > len(self.data) - start:
            raise CborError(f"{size:,} bytes are expected and {len(self.data) - start:,} are left", start)
        self.place = start + size
        return self.data[start : self.place]
