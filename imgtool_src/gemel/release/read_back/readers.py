"""Bytes by address as other libraries read them out of files: HEX, S-record, ELF and raw binary.

None of gemel's own codecs is used here: an error of theirs must not be read back by the same error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from io import BytesIO, StringIO
from itertools import pairwise

from gemel.release.extras import library
from gemel.spans import Span, format_address
from gemel.structs import NamedTuple

Runs = tuple[tuple[int, bytes], ...]
"""Bytes by address, ascending; no two touch or overlap."""


class ReadBackError(Exception):
    """An independent library refuses the file; the text is its reason."""


class ReadFile(NamedTuple):
    """What a library found in a file; ``entry`` is the start address that it names, if it names one."""

    runs: Runs
    entry: int | None = None


def joined_runs(pieces: Iterable[tuple[int, bytes | bytearray | memoryview]]) -> Runs:
    """``pieces``, ascending and apart, as runs: those that touch are one."""
    runs: list[tuple[int, bytearray]] = []
    for address, data in pieces:
        if runs and runs[-1][0] + len(runs[-1][1]) == address:
            runs[-1][1].extend(data)
        else:
            runs.append((address, bytearray(data)))
    return tuple((address, bytes(data)) for address, data in runs if data)


def read_hex(data: bytes) -> ReadFile:
    """Intel HEX by ``intelhex``; raises ReadBackError."""
    intelhex = library("intelhex", "reading HEX files back")
    reader = intelhex.IntelHex()
    try:
        reader.loadhex(StringIO(data.decode("ascii")))
    except (intelhex.IntelHexError, ValueError) as error:
        raise ReadBackError(str(error)) from error
    pieces = [(start, bytes(reader.gets(start, end - start))) for start, end in reader.segments()]
    named = reader.start_addr or {}
    entry = named.get("EIP", named["CS"] * 16 + named["IP"] if "CS" in named else None)
    return ReadFile(joined_runs(pieces), entry)


def read_s_record(data: bytes) -> ReadFile:
    """S-record by ``bincopy``; raises ReadBackError."""
    bincopy = library("bincopy", "reading S-record files back")
    reader = bincopy.BinFile()
    try:
        reader.add_srec(data.decode("ascii"))
    except (bincopy.Error, ValueError) as error:
        raise ReadBackError(str(error)) from error
    pieces = [(segment.address, segment.data) for segment in reader.segments]
    return ReadFile(joined_runs(pieces), reader.execution_start_address)


def read_elf(data: bytes) -> list[tuple[int, bytes]]:
    """The bytes of an ELF file's load segments by load address (p_paddr), by ``pyelftools``; raises ReadBackError."""
    elffile = library("elftools.elf.elffile", "reading ELF files back")
    exceptions = library("elftools.common.exceptions", "reading ELF files back")
    try:
        segments = list(elffile.ELFFile(BytesIO(data)).iter_segments("PT_LOAD"))
        return [(each["p_paddr"], each.data()) for each in segments if each["p_filesz"]]
    except (exceptions.ELFError, ValueError, OverflowError, OSError) as error:
        raise ReadBackError(str(error)) from error


READERS: Mapping[str, tuple[str, Callable[[bytes], ReadFile]]] = {
    "Intel HEX": ("intelhex", read_hex),
    "S-record": ("bincopy", read_s_record),
}
"""The reader of each image file format with addresses, by the format's name, with its library's."""


class Difference(NamedTuple):
    """The first place where bytes differ, in words."""

    address: int
    found: str
    expected: str


def first_difference(found: Runs, expected: Runs) -> Difference | None:
    """The first address at which ``found`` has another byte than ``expected``, or only one of them has one."""
    bounds = sorted({edge for start, data in (*found, *expected) for edge in (start, start + len(data))})
    ours, theirs = _Cursor(found), _Cursor(expected)
    for start, end in pairwise(bounds):
        one, two = ours.bytes_of(start, end), theirs.bytes_of(start, end)
        if one == two:
            continue
        if one is None or two is None:
            return Difference(start, _words(one, start, end), _words(two, start, end))
        at = next(index for index, pair in enumerate(zip(one, two, strict=True)) if pair[0] != pair[1])
        return Difference(start + at, f"0x{one[at]:02X}", f"0x{two[at]:02X}")
    return None


class _Cursor:
    """Runs that are read in ascending pieces."""

    def __init__(self, runs: Runs) -> None:
        self._runs, self._index = runs, 0

    def bytes_of(self, start: int, end: int) -> memoryview | None:
        """The bytes from ``start`` to ``end``, all in one run or in none: then None."""
        while self._index < len(self._runs):
            first, data = self._runs[self._index]
            if start < first + len(data):
                return memoryview(data)[start - first : end - first] if start >= first else None
            self._index += 1
        return None


def _words(piece: memoryview | None, start: int, end: int) -> str:
    if piece is None:
        return f"nothing at {Span(start, end - start)}"
    return f"0x{piece[0]:02X} at {format_address(start)} and {len(piece) - 1:,} bytes after it"
