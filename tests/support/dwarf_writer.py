"""Write debug information for tests: what compilers at hand do not emit, and what is wrong.

``debug_elf(Entry(Tag.STRUCTURE_TYPE, name="frame", size=8, children=[...]))`` gives an ELF file with one
unit that holds these entries.  A reference is an ``Entry``.  Forms are chosen by the kind of value unless an
attribute is given as ``(form, value)``.

Layouts: DWARF 5, sections 7.5 (units, abbreviations, forms) and 7.26 (string offsets).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from elf_writer import SegmentSpec, SymbolSpec, elf, uleb128

from gemel.builds.dwarf.constants import At, Form, Tag
from gemel.builds.dwarf.debug_types import DebugTypes
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource

_IGNORED_SEGMENT = 0x6000_0000
"""A segment type of the operating system's range: carries a section, and is not loaded."""

_SIZES = {Form.DATA1: "B", Form.DATA2: "H", Form.DATA4: "I", Form.DATA8: "Q", Form.STRX1: "B"}


@dataclass(eq=False)
class Entry:
    """One entry: ``attributes`` from At to a value or (Form, value)."""

    tag: int
    attributes: Mapping[int, Any] = field(default_factory=dict)
    children: Sequence[Entry] | None = None


def member(name: str, of: Entry, at: int = 0, **more: Any) -> Entry:
    """A member of a record at a byte; ``more`` names further attributes in small letters."""
    attributes: dict[int, Any] = {At.NAME: name, At.TYPE: of, At.DATA_MEMBER_LOCATION: at}
    attributes.update({getattr(At, key.upper()): value for key, value in more.items()})
    return Entry(Tag.MEMBER, attributes)


def record(name: str, size: int, *members: Entry, tag: int = Tag.STRUCTURE_TYPE) -> Entry:
    """A record."""
    return Entry(tag, {At.NAME: name, At.BYTE_SIZE: size}, list(members))


def basic(name: str = "unsigned", size: int = 4, encoding: int = 7) -> Entry:
    """A base type."""
    return Entry(Tag.BASE_TYPE, {At.NAME: name, At.BYTE_SIZE: size, At.ENCODING: encoding})


class Debug:
    """The sections of one unit."""

    def __init__(self, *entries: Entry, version: int = 5, top: Mapping[int, Any] | None = None) -> None:
        """``top`` are attributes of the unit's own entry."""
        self.version = version
        self.strings, self.line_strings, self.indexes = bytearray(b"\0"), bytearray(b"\0"), bytearray()
        self._abbreviations: dict[bytes, int] = {}
        self._offsets: dict[int, int] = {}
        self._patches: list[tuple[int, Entry]] = []
        attributes = {At.STR_OFFSETS_BASE: (Form.SEC_OFFSET, 8), **(top or {})} if version == 5 else top or {}
        self._body = bytearray()
        self._start = 12 if version == 5 else 11
        self._write(Entry(Tag.COMPILE_UNIT, attributes, list(entries)))
        for place, entry in self._patches:
            struct.pack_into("<I", self._body, place, self._offsets[id(entry)])

    def sections(self) -> dict[str, bytes]:
        """The bytes of each section by its name."""
        head = (
            struct.pack("<HBBI", 5, 1, 4, 0) if self.version == 5 else struct.pack("<HIB", self.version, 0, 4)
        )
        info = struct.pack("<I", len(head) + len(self._body)) + head + bytes(self._body)
        table = b"".join(uleb128(code) + abbreviation for abbreviation, code in self._abbreviations.items())
        offsets = struct.pack("<IHH", len(self.indexes) + 4, 5, 0) + bytes(self.indexes)
        return {
            ".debug_info": info,
            ".debug_abbrev": table + b"\0",
            ".debug_str": bytes(self.strings),
            ".debug_line_str": bytes(self.line_strings),
            ".debug_str_offsets": offsets,
        }

    def _write(self, entry: Entry) -> None:
        self._offsets[id(entry)] = self._start + len(self._body)
        values = [(at, *self._form(value)) for at, value in entry.attributes.items()]
        abbreviation = uleb128(entry.tag) + bytes((entry.children is not None,))
        for at, form, value in values:
            abbreviation += uleb128(at) + uleb128(form)
            if form == Form.IMPLICIT_CONST:
                abbreviation += sleb128(value)
        abbreviation += b"\0\0"
        code = self._abbreviations.setdefault(abbreviation, len(self._abbreviations) + 1)
        self._body += uleb128(code)
        for _, form, value in values:
            self._value(form, value)
        for child in entry.children or ():
            self._write(child)
        if entry.children is not None:
            self._body += b"\0"

    def _form(self, value: Any) -> tuple[int, Any]:
        if isinstance(value, tuple):
            return value
        if isinstance(value, Entry):
            return Form.REF4, value
        if isinstance(value, str):
            return Form.STRP, value
        if value is True:
            return (Form.FLAG_PRESENT if self.version >= 4 else Form.FLAG), 1
        if isinstance(value, bytes):
            return Form.EXPRLOC if self.version >= 4 else Form.BLOCK1, value
        return (Form.SDATA if value < 0 else Form.UDATA), value

    def _value(self, form: int, value: Any) -> None:
        body = self._body
        if form == Form.REF4 and isinstance(value, Entry):
            self._patches.append((len(body), value))
            body += bytes(4)
        elif form in (Form.REF4, Form.SEC_OFFSET, Form.REF_ADDR):
            body += struct.pack("<I", value)
        elif form == Form.STRP:
            body += struct.pack("<I", self._text(self.strings, value))
        elif form == Form.LINE_STRP:
            body += struct.pack("<I", self._text(self.line_strings, value))
        elif form in (Form.STRX1, Form.STRX) and isinstance(value, str):
            index = len(self.indexes) // 4
            self.indexes += struct.pack("<I", self._text(self.strings, value))
            body += bytes((index,))
        elif form == Form.STRING:
            body += value.encode() + b"\0"
        elif form in _SIZES:
            body += struct.pack("<" + _SIZES[form], value)
        elif form == Form.UDATA:
            body += uleb128(value)
        elif form == Form.SDATA:
            body += sleb128(value)
        elif form in (Form.EXPRLOC, Form.BLOCK):
            body += uleb128(len(value)) + value
        elif form == Form.BLOCK1:
            body += bytes((len(value),)) + value
        elif form in (Form.DATA16, Form.REF_SIG8):
            body += value
        elif form == Form.FLAG:
            body += b"\1"
        elif form not in (Form.FLAG_PRESENT, Form.IMPLICIT_CONST):
            raise ValueError(f"form {form:#x} is not written here")

    @staticmethod
    def _text(table: bytearray, text: str) -> int:
        at = table.find(text.encode() + b"\0")
        if at < 0:
            at = len(table)
            table += text.encode() + b"\0"
        return at


def debug_elf(
    *entries: Entry,
    version: int = 5,
    top: Mapping[int, Any] | None = None,
    replace: Mapping[str, bytes] | None = None,
    flags: Mapping[str, int] | None = None,
    symbols: Sequence[SymbolSpec] = (),
) -> bytes:
    """An ELF file with these entries; ``replace`` sections by name, ``flags`` sets sh_flags."""
    sections = {**Debug(*entries, version=version, top=top).sections(), **(replace or {})}
    return elf_with(sections, flags, symbols)


def elf_with(
    sections: Mapping[str, bytes], flags: Mapping[str, int] | None = None, symbols: Sequence[SymbolSpec] = ()
) -> bytes:
    """A small executable that carries these sections."""
    code = SegmentSpec(0x1000_0000, bytes(range(64)))
    carried = [
        SegmentSpec(0, data, flags="r", type=_IGNORED_SEGMENT, section_name=name)
        for name, data in sections.items()
    ]
    headers = {name: {"sh_flags": (flags or {}).get(name, 0)} for name in sections}
    return elf([code, *carried], symbols=symbols, section_headers=headers)


def sleb128(value: int) -> bytes:
    """``value`` in the variable-length form of signed numbers."""
    result = bytearray()
    while True:
        digit = value & 0x7F
        value >>= 7
        done = (value == 0 and not digit & 0x40) or (value == -1 and digit & 0x40)
        result.append(digit | (0 if done else 0x80))
        if done:
            return bytes(result)


COMPRESSED = 0x800


def types_of(data: bytes) -> DebugTypes:
    """The types in an ELF file."""
    build = read_build(BytesSource(data), name="station", file="station.elf")
    assert build.debug is not None
    return build.debug.types()
