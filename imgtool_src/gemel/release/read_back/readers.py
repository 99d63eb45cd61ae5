"""Bytes by address as other libraries read them out of files (HEX, S-record, ELF, raw binary), compared with builds.

None of gemel's own codecs is used here: an error of theirs must not be read back by the same error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from io import BytesIO, StringIO
from itertools import pairwise

from gemel.layout.model import BuildPlan, Layout
from gemel.release.extras import library
from gemel.spans import Span, format_address, without
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


LIBRARIES = {"elf": "pyelftools", "hex": "intelhex", "srec": "bincopy", "bin": "the raw bytes"}
"""What reads each kind of build."""


class BuildFile(NamedTuple):
    """A build's file: its name, its format (a key of ``LIBRARIES``) and its bytes."""

    file: str
    kind: str
    data: bytes


class Compared(NamedTuple):
    """How many bytes of a build were compared, and the first that the image has otherwise, if any."""

    size: int
    different: int | None = None
    found: str = ""
    expected: str = ""


def compare(
    layout: Layout, plan: BuildPlan, build: BuildFile, image: Runs, written_later: Sequence[Span]
) -> Compared:
    """Compare a build's bytes with those of the image, but for the spans that a join itself writes.

    Where two load segments claim one address with different bytes, the image must hold one of them.  Raises
    ReadBackError where the library cannot read the file, or bytes are in no memory of the layout.
    """
    pieces = [(_stored_at(layout, plan, start), data) for start, data in _pieces(layout, plan, build)]
    size = 0
    for start, data in pieces:
        for span in without([Span(start, len(data))], written_later):
            size += span.size
            wanted = data[span.start - start : span.end - start]
            for at in _differing(_held(image, span), wanted):
                address = span.start + at
                found = _held(image, Span(address, 1))[0]
                if not any(
                    found == other[address - begin]
                    for begin, other in pieces
                    if begin <= address < begin + len(other)
                ):
                    words = "nothing" if found is None else f"0x{found:02X}"
                    return Compared(size, address, words, f"0x{wanted[at]:02X}")
    return Compared(size)


def _pieces(layout: Layout, plan: BuildPlan, build: BuildFile) -> list[tuple[int, bytes]]:
    if build.kind == "elf":
        return read_elf(build.data)
    if build.kind == "bin":
        return [(layout.span_of(plan.stored_in).start, build.data)]
    return list((read_hex if build.kind == "hex" else read_s_record)(build.data).runs)


def _stored_at(layout: Layout, plan: BuildPlan, address: int) -> int:
    """The plain address at which a byte of load address ``address`` is stored; raises ReadBackError for none.

    A load address is one that the core or the programmer sees, or of RAM in the area that the build runs in.
    """
    plain = []
    for memory in layout.memories.values():
        starts = (memory.views.get(plan.core, memory.start), memory.start, *memory.aliases)
        plain += [memory.start + address - start for start in starts if 0 <= address - start < memory.size]
    for area in layout.spans_of_build(plan):
        for each in plain:
            if area.start <= each < area.end:
                return each
    if plan.runs_in:
        run, stored = layout.span_of(plan.runs_in), layout.span_of(plan.stored_in)
        for each in plain:
            if run.start <= each < run.end:
                return stored.start + each - run.start
    if not plain:
        raise ReadBackError(f"bytes to load at {format_address(address)}, where the layout has no memory")
    return plain[0]


def _held(image: Runs, span: Span) -> list[int | None] | bytes:
    """What the image holds of ``span``: its bytes, with None in the list for those that it does not hold."""
    for start, data in image:
        if start <= span.start and span.end <= start + len(data):
            return data[span.start - start : span.end - start]
    found: list[int | None] = [None] * span.size
    for start, data in image:
        first, last = max(start, span.start), min(start + len(data), span.end)
        if first < last:
            found[first - span.start : last - span.start] = data[first - start : last - start]
    return found


def _differing(found: list[int | None] | bytes, wanted: bytes) -> Iterator[int]:
    if found != wanted:
        yield from (at for at, (one, two) in enumerate(zip(found, wanted, strict=True)) if one != two)
