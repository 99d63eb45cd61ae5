"""The entries of the symbol table of an ELF file.

Layout of one entry (gABI, "Symbol Table"; 16 bytes, little-endian)::

    0  st_name   u32  offset of the name in the string table
    4  st_value  u32  address; bit 0 of a Thumb function is set (AAELF32, "Symbol Values")
    8  st_size   u32  bytes, 0 if not known
    12 st_info   u8   binding in the upper, type in the lower four bits
    13 st_other  u8
    14 st_shndx  u16  section; 0 undefined, 0xFFF1 absolute
"""

from __future__ import annotations

import re
import struct
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import compress
from operator import itemgetter, not_

from gemel.spans import Span
from gemel.structs import NamedTuple

ENTRY_SIZE = 16
MAX_NAME = 1024
"""Names are cut at this many bytes, so that a table without terminators costs no quadratic time."""

ENTRY = struct.Struct("<IIIBBH")
DOLLAR = 0x24
"""What names of mapping symbols begin with."""

UNDEFINED = 0
_ABSOLUTE = 0xFFF1
KINDS = {0: "notype", 1: "object", 2: "function", 3: "section", 4: "file", 5: "common", 6: "tls"}
_BINDINGS = {0: "local", 1: "global", 2: "weak"}
OBJECT, FUNCTION = 1, 2
_MARKING = re.compile(rb"\$[adt](?=[\0.]|\Z)")
"""The beginnings of names of mapping symbols (AAELF32, "Mapping symbols")."""


class Symbol(NamedTuple):
    """One entry of the symbol table.

    ``value`` is the number in the file (a Thumb function's has bit 0 set), ``size`` in bytes, 0 if not
    known.  ``kind`` is notype, object, function, section, file, common, tls or ``type 10`` and the like;
    ``binding`` local, global, weak or ``binding 10`` and the like.
    """

    name: str
    value: int
    size: int
    kind: str
    binding: str
    section_index: int

    @property
    def address(self) -> int:
        """The address it stands for: the value, without the Thumb bit for a function."""
        return self.value & ~1 if self.kind == "function" else self.value

    @property
    def span(self) -> Span:
        """The addresses it names; empty if the size is not known."""
        return Span(self.address, self.size)

    @property
    def defined(self) -> bool:
        """Whether this file defines it."""
        return self.section_index != UNDEFINED

    @property
    def absolute(self) -> bool:
        """Whether it is a plain number that no section moves."""
        return self.section_index == _ABSOLUTE

    @property
    def mapping(self) -> bool:
        """Whether it marks code or data for tools: ``$a``, ``$t``, ``$d`` (AAELF32, "Mapping symbols")."""
        return is_mapping(self.name)


class SymbolColumns(NamedTuple):
    """The table, gone through once: mapping symbols, three of four entries of a large build, and all others.

    ``marks`` are address and name of the mapping symbols of each section by its number, sorted by address.  The other
    columns are of all other entries: numbers, offsets of names, values, sizes, and type, binding and section together.
    """

    marks: dict[int, list[tuple[int, str]]]
    numbers: list[int]
    names: list[int]
    values: list[int]
    sizes: list[int]
    tails: list[int]

    def rows(self) -> Iterator[tuple[int, int, int, int, int]]:
        """The other entries: number, offset of the name, value, size, and type, binding and section together."""
        return zip(self.numbers, self.names, self.values, self.sizes, self.tails, strict=True)

    def only(self, places: Iterable[int]) -> SymbolColumns:
        """Those of the other entries that are at these places of the columns."""
        return SymbolColumns(self.marks, *[[column[place] for place in places] for column in self[1:]])


def columns_of(table: bytes, strings: bytes) -> SymbolColumns:
    """The columns of a table whose names are in ``strings``."""
    words = words_of(table)
    columns = names, values, _, tails = [words[first::4].tolist() for first in range(4)]
    marking = {found.start(): found[0].decode() for found in _MARKING.finditer(strings)}
    is_mark = list(map(marking.__contains__, names))
    marks = defaultdict[int, list[tuple[int, str]]](list)
    for name, value, tail in compress(zip(names, values, tails, strict=True), is_mark):
        marks[tail >> 16].append((value & ~1, marking[name]))
    for of_section in marks.values():
        of_section.sort(key=itemgetter(0))
    is_other = list(map(not_, is_mark))
    return SymbolColumns(
        dict(marks), *[list(compress(column, is_other)) for column in (range(len(names)), *columns)]
    )


def is_mapping(name: str) -> bool:
    """Whether a name is a mapping symbol's: ``$a``, ``$t``, ``$d``, or with a dot and more after it."""
    return name[:2] in ("$a", "$t", "$d") and (len(name) == 2 or name[2] == ".")


def symbol_of(entry: tuple[int, ...], strings: bytes) -> Symbol:
    """The symbol of one entry of the table, unpacked."""
    name, value, size, info, _other, section = entry
    kind, binding = info & 0xF, info >> 4
    return Symbol(
        name_at(strings, name),
        value,
        size,
        KINDS.get(kind) or f"type {kind}",
        _BINDINGS.get(binding) or f"binding {binding}",
        section,
    )


def name_at(strings: bytes, offset: int) -> str:
    """The name at an offset of the string table, of at most ``MAX_NAME`` bytes."""
    end = strings.find(b"\0", offset, offset + MAX_NAME)
    return strings[offset : offset + MAX_NAME if end < 0 else end].decode("utf-8", "replace")


def words_of(table: bytes) -> memoryview:
    """The table as 32-bit words: name, value, size, and type, binding and section together."""
    if sys.byteorder == "big":
        table = struct.pack(f"={len(table) // 4}I", *struct.unpack(f"<{len(table) // 4}I", table))
    return memoryview(table).cast("I")
