"""Source lines by address: the line number programs of a file's debug information.

DWARF 5 (13 February 2017), section 6.2; versions 2 to 5 differ in the header only.  A program that does not
keep the format ends the reading of that program alone; what was read of it before stays.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from functools import cached_property

from gemel.builds.dwarf.abbreviations import sleb, uleb
from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.sections import DebugSections, read_named_sections
from gemel.structs import NamedTuple, Struct

MAX_STEPS = 3_000_000
"""Operations of all programs together that are carried out at most."""

MAX_FILES = 100_000
"""Files of one program, at most."""

MAX_PATH, MAX_NAME = 4096, 255
"""Bytes of a path, with the zero at its end, and characters of its last part that are kept."""

_BLOCKS = {0x0A: 1, 0x03: 2, 0x04: 4}
_FIXED = {0x0B: 1, 0x05: 2, 0x06: 4, 0x07: 8, 0x1E: 16}
_STRINGS = {0x0E: "str", 0x1F: "line_str"}
_DAMAGE = (DwarfFault, IndexError, ValueError, OverflowError)
_PATH = 1
_SET_ADDRESS = re.compile(rb"\x00\x05\x02(.{4})", re.DOTALL)
_SET_TO_ZERO = b"\x00\x05\x02" + bytes(4)
"""As of a function that the linker discarded; of several at most one can be there."""


LineRow = tuple[int, str, int]


class LineTable(Struct, dict=True):
    """Rows of (address, file, line), by address; the file is empty where a sequence ends.

    Rows of one address stand in the order of their program, the ends of sequences before the others, so that
    the last one counts.  ``damaged`` says what could not be read; empty if all of it was.
    """

    rows: list[LineRow]
    damaged: str

    @cached_property
    def _starts(self) -> list[int]:
        return [row[0] for row in self.rows]

    def at(self, address: int) -> str:
        """``file:line`` of the instruction at ``address``; empty where no sequence covers it.

        The file alone where the compiler gives no line (0), as for code that it made of several.
        """
        index = bisect_right(self._starts, address) - 1
        _, file, line = self.rows[index] if index >= 0 else (0, "", 0)
        return f"{file}:{line}" if file and line else file


class _Header(NamedTuple):
    start: int
    shortest: int
    line_base: int
    line_range: int
    lengths: tuple[int, ...]
    files: list[str]
    first_file: int


class _Steps:
    """How many more operations are carried out."""

    def __init__(self) -> None:
        self.left = MAX_STEPS


Programs = dict[int, list[LineRow]]
"""The rows of line programs that were read whole, by where these start."""


def read_lines(debug: DebugSections, near: int | None = None, known: Programs | None = None) -> LineTable:
    """The source lines of a file; no rows, and why in ``damaged``, where it has none that can be read.

    With ``near``, only the program is read of which a sequence begins nearest before that address.  Programs that are
    ``known`` are not read again, and others are put there.
    """
    try:
        found = read_named_sections(debug, ("line", "line_str", "str"))
    except DwarfFault as error:
        return LineTable([], str(error))
    rows: list[LineRow] = []
    data, steps = found.get("line", b""), _Steps()
    programs, damaged = _programs(data)
    discards = data.count(_SET_TO_ZERO) > 1
    for start, end in programs if near is None else _nearest(data, programs, near):
        if known and start in known:
            rows += known[start]
            steps.left -= len(known[start])
            continue
        first = len(rows)
        try:
            header = _header(data, start + 4, found)
            steps.left -= len(header.files)
            _run(data, header, end, rows, steps, discards)
            if known is not None:
                known[start] = rows[first:]
        except _DAMAGE as error:
            damaged = f"the line program at offset {start:#x} is damaged ({error})"
        if steps.left < 0:
            damaged = f"the line programs take more than {MAX_STEPS:,} steps"
            break
    rows.sort(key=lambda row: (row[0], row[1] != ""))
    return LineTable(rows, damaged)


def _programs(data: bytes) -> tuple[list[tuple[int, int]], str]:
    """Where each line program starts and ends, and what keeps further ones from being found."""
    programs: list[tuple[int, int]] = []
    at = 0
    while at + 4 <= len(data):
        size = int.from_bytes(data[at : at + 4], "little")
        if size >= 0xFFFF_FFF0 or at + 4 + size > len(data):
            return programs, f"the line program at offset {at:#x} has no length that fits"
        programs.append((at, at + 4 + size))
        at += 4 + size
    return programs, ""


def _nearest(data: bytes, programs: list[tuple[int, int]], address: int) -> list[tuple[int, int]]:
    """The program with the sequence that begins nearest before ``address``, by its DW_LNE_set_address; none if none."""
    best: tuple[int, tuple[int, int]] | None = None
    for program in programs:
        for match in _SET_ADDRESS.finditer(data, *program):
            start = int.from_bytes(match[1], "little")
            if start <= address and (best is None or start > best[0]):
                best = start, program
    return [best[1]] if best else []


def _header(data: bytes, at: int, found: dict[str, bytes]) -> _Header:
    version = int.from_bytes(data[at : at + 2], "little")
    if not 2 <= version <= 5:
        raise DwarfFault(f"version {version}")
    at += 2 + (2 if version == 5 else 0)
    start = at + 4 + int.from_bytes(data[at : at + 4], "little")
    at += 4
    shortest = data[at]
    at += 2 + (1 if version >= 4 else 0)
    line_base, line_range, opcode_base = data[at], data[at + 1], data[at + 2]
    if not line_range or not opcode_base:
        raise DwarfFault("a line range or opcode base of zero")
    lengths = tuple(data[at + 3 : at + 2 + opcode_base])
    at += 2 + opcode_base
    files = _files_of_5(data, at, found) if version == 5 else _files_before_5(data, at)
    base = line_base - 256 if line_base > 127 else line_base
    return _Header(start, shortest, base, line_range, lengths, files, 0 if version == 5 else 1)


def _text(data: bytes, at: int) -> tuple[str, int]:
    end = data.index(b"\0", at, at + MAX_PATH)
    return data[at:end].decode("utf-8", "replace").rpartition("/")[2][-MAX_NAME:], end + 1


def _files_before_5(data: bytes, at: int) -> list[str]:
    while data[at]:
        at = data.index(b"\0", at) + 1
    at += 1
    files: list[str] = []
    while data[at]:
        if len(files) == MAX_FILES:
            raise DwarfFault(f"more than {MAX_FILES:,} files")
        name, at = _text(data, at)
        files.append(name)
        for _ in range(3):
            _, at = uleb(data, at)
    return files


def _files_of_5(data: bytes, at: int, found: dict[str, bytes]) -> list[str]:
    _, at = _entries(data, at, found)
    files, _ = _entries(data, at, found)
    return files


def _entries(data: bytes, at: int, found: dict[str, bytes]) -> tuple[list[str], int]:
    """The paths of one table of directories or files."""
    formats = []
    count, at = data[at], at + 1
    for _ in range(count):
        content, at = uleb(data, at)
        form, at = uleb(data, at)
        formats.append((content, form))
    count, at = uleb(data, at)
    if count > MAX_FILES or (count and not formats):
        raise DwarfFault(f"{count:,} files")
    names = []
    for _ in range(count):
        name = "?"
        for content, form in formats:
            text, at = _form(data, at, form, found)
            name = text if content == _PATH else name
        names.append(name)
    return names, at


def _form(data: bytes, at: int, form: int, found: dict[str, bytes]) -> tuple[str, int]:
    if form == 0x08:
        return _text(data, at)
    if form in _STRINGS:
        return _text(found.get(_STRINGS[form], b""), int.from_bytes(data[at : at + 4], "little"))[0], at + 4
    if form in _FIXED:
        return "", at + _FIXED[form]
    if form == 0x0F:
        return "", uleb(data, at)[1]
    if form == 0x09:
        size, at = uleb(data, at)
        return "", at + size
    if form in _BLOCKS:
        width = _BLOCKS[form]
        return "", at + width + int.from_bytes(data[at : at + width], "little")
    raise DwarfFault(f"form {form:#x}")


def _run(data: bytes, header: _Header, end: int, rows: list[LineRow], steps: _Steps, discards: bool) -> None:
    """Carry out a program: each row that it makes goes to ``rows``, each operation is one of ``steps``.

    Where a linker ``discards`` functions, sequences from address 0 are theirs, and are left out.
    """
    at, special = header.start, len(header.lengths) + 1
    first = _file(header, 1)
    address, file, line = 0, first, 1
    moves: dict[int, tuple[int, int]] = {}
    left, append, begun = steps.left, rows.append, len(rows)
    try:
        while at < end and left >= 0:
            left -= 1
            code, at = data[at], at + 1
            if code >= special:
                move = moves.get(code)
                if move is None:
                    advance, more = divmod(code - special, header.line_range)
                    move = moves[code] = advance * header.shortest, header.line_base + more
                address += move[0]
                line += move[1]
                append((address, file, line))
            elif code == 0:
                size, at = uleb(data, at)
                kind = data[at]
                if kind == 1:
                    while len(rows) > begun and rows[-1][0] == address:  # rows of no bytes
                        rows.pop()
                    if discards and len(rows) > begun and not rows[begun][0]:
                        del rows[begun:]
                    else:
                        append((address, "", 0))
                    begun = len(rows)
                    address, file, line = 0, first, 1
                elif kind == 2:
                    address = int.from_bytes(data[at + 1 : at + size], "little")
                at += size
            elif code == 1:
                append((address, file, line))
            elif code == 2:
                advance, at = uleb(data, at)
                address += advance * header.shortest
            elif code == 3:
                advance, at = sleb(data, at)
                line += advance
            elif code == 4:
                number, at = uleb(data, at)
                file = _file(header, number)
            elif code == 8:
                address += (255 - special) // header.line_range * header.shortest
            elif code == 9:
                address, at = address + int.from_bytes(data[at : at + 2], "little"), at + 2
            else:
                for _ in range(header.lengths[code - 1]):
                    _, at = uleb(data, at)
    finally:
        steps.left = left


def _file(header: _Header, number: int) -> str:
    index = number - header.first_file
    return (header.files[index] if 0 <= index < len(header.files) else "") or "?"
