"""Abbreviations: which attributes an entry has and how they are written, made ready for fast reading.

DWARF 5, section 7.5.3.  The table at one offset of ``.debug_abbrev``::

    { ULEB code, ULEB tag, u8 has children, { ULEB attribute, ULEB form [, SLEB constant] } 0 0 } 0

An entry's attributes are read in steps: a run of fixed sizes is one ``struct``, which passes over what
nobody needs; a text, block or number of variable length is a step of its own.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable

from gemel.builds.dwarf.constants import At, Form, numbers_of
from gemel.builds.dwarf.fault import DwarfFault
from gemel.structs import NamedTuple

FormValue = int | bytes

NUMBER_DIGITS = 10
"""Bytes of a LEB128 number that are accepted: 70 bits."""

BEGINNING = 64
"""Bytes by which a table that was read is found again, for a source with one of the same bytes."""

_WANTED = numbers_of(At)
_FIXED = {
    Form.DATA1: "B",
    Form.DATA2: "H",
    Form.DATA4: "I",
    Form.DATA8: "Q",
    Form.DATA16: "16s",
    Form.FLAG: "B",
    Form.REF1: "B",
    Form.REF2: "H",
    Form.REF4: "I",
    Form.REF8: "Q",
    Form.REF_SIG8: "Q",
    Form.REF_SUP4: "I",
    Form.REF_SUP8: "Q",
    Form.STRX1: "B",
    Form.STRX2: "H",
    Form.STRX3: "3s",
    Form.STRX4: "I",
    Form.ADDRX1: "B",
    Form.ADDRX2: "H",
    Form.ADDRX3: "3s",
    Form.ADDRX4: "I",
}
_OFFSETS = frozenset((Form.STRP, Form.SEC_OFFSET, Form.STRP_SUP, Form.LINE_STRP))
_OFFSETS_GNU = frozenset((Form.GNU_REF_ALT, Form.GNU_STRP_ALT))
_ULEB = frozenset(
    (
        Form.UDATA,
        Form.REF_UDATA,
        Form.STRX,
        Form.ADDRX,
        Form.LOCLISTX,
        Form.RNGLISTX,
        Form.GNU_ADDR_INDEX,
        Form.GNU_STR_INDEX,
    )
)
_BLOCK_SIZES = {Form.BLOCK1: 1, Form.BLOCK2: 2, Form.BLOCK4: 4}


class Sizes(NamedTuple):
    """What the sizes of some forms depend on: the unit's version, and its offsets and addresses in bytes."""

    version: int
    offset: int
    address: int


class Step(NamedTuple):
    """One step of reading: a run of fixed sizes (``unpack``), or one value of variable length in ``form``."""

    unpack: Callable[[bytes, int], tuple[FormValue, ...]] | None
    attributes: tuple[int, ...]
    size: int
    form: int


class Abbreviation:
    """One kind of entry.  ``size`` is that of its attributes in bytes, -1 if it varies.

    ``name_at``, ``location_at`` and ``sibling_at`` are bytes from the first attribute to the name, the location and a
    four-byte reference to the next entry, -1 if that varies or there is none.  ``sibling_at`` is -4 where that
    reference is what ends the attributes.
    """

    __slots__ = (
        "children",
        "constants",
        "forms",
        "location_at",
        "name_at",
        "name_form",
        "sibling_at",
        "size",
        "steps",
        "tag",
    )

    def __init__(self, tag: int, children: bool, specs: list[tuple[int, int, int]], sizes: Sizes) -> None:
        """``specs`` are (attribute, form, constant)."""
        self.tag = tag
        self.children = children
        self.forms = {attribute: form for attribute, form, _ in specs if attribute in _WANTED}
        self.constants: dict[int, FormValue] = {}
        for attribute, form, constant in specs:
            if form == Form.IMPLICIT_CONST:
                self.constants[attribute] = constant
            elif form == Form.FLAG_PRESENT:
                self.constants[attribute] = 1
        steps, places = _steps(specs, sizes)
        self.steps = tuple(steps)
        fixed = all(step.unpack for step in self.steps)
        self.size = sum(step.size for step in self.steps) if fixed else -1
        self.name_at, self.name_form = places.get(At.NAME, _NOWHERE)
        at, form = places.get(At.SIBLING, _NOWHERE)
        self.sibling_at = at if form == Form.REF4 else -1
        if self.sibling_at < 0 and specs and specs[-1][:2] == (At.SIBLING, Form.REF4):
            self.sibling_at = -4
        at, form = places.get(At.LOCATION, _NOWHERE)
        self.location_at = at if form in (Form.EXPRLOC, Form.BLOCK1) else -1

    def read(self, data: bytes, at: int) -> tuple[dict[int, FormValue], int]:
        """The attributes that types need, by attribute, of the entry whose attributes start at ``at``.

        Also the offset after them.  Flags are 1; references and texts are as written.
        """
        values = dict(self.constants)
        for unpack, attributes, size, form in self.steps:
            if unpack is not None:
                values.update(zip(attributes, unpack(data, at), strict=True))
                at += size
            else:
                value, at = _variable(data, at, form)
                if attributes:
                    values[attributes[0]] = value
        return values, at

    def end(self, data: bytes, at: int) -> int:
        """The offset after the attributes that start at ``at``."""
        if self.size >= 0:
            return at + self.size
        for step in self.steps:
            at = at + step.size if step.unpack is not None else _end_of(data, at, step.form)
        return at


_PLAIN = re.compile(
    rb"(?:[\x01-\x7f]|[\x80-\xff][\x01-\x7f])[\x00\x01]"
    rb"(?:(?:[\x01-\x7f]|[\x80-\xff][\x01-\x7f])[\x01-\x20\x22-\x7f])*+\0\0"
)
"""A tag, whether there are children, and attributes with forms, none of them with a constant."""


class KnownAbbreviations(dict[tuple[object, ...], Abbreviation]):
    """Abbreviations by what makes them, and by their bytes: every source has a table, and most entries are in all.

    ``bytes_read`` is the size of all tables that were read, ``tables`` the last one of each beginning, and its bytes.
    """

    def __init__(self) -> None:
        super().__init__()
        self.bytes_read = 0
        self.tables: dict[tuple[bytes, Sizes], tuple[bytes, dict[int, Abbreviation]]] = {}


def read_table(
    data: bytes, at: int, sizes: Sizes, known: KnownAbbreviations
) -> tuple[dict[int, Abbreviation], int]:
    """The abbreviations of the table at an offset of ``.debug_abbrev``, by code, and where it ends.

    ``known`` are reused, and grow.
    """
    if at >= len(data):
        raise DwarfFault(f"abbreviations at offset {at:#x}, and there are {len(data):#x} bytes")
    start, beginning = at, (data[at : at + BEGINNING], sizes)
    raw, table = known.tables.get(beginning, (b"", {}))
    if raw and data.startswith(raw, at):
        return table, at + len(raw)
    table = {}
    while True:
        code, at = uleb(data, at)
        if code == 0:
            known.tables[beginning] = data[start:at], table
            return table, at
        plain = _PLAIN.match(data, at)
        if plain and (found := known.get((plain.group(), sizes))):
            table[code], at = found, plain.end()
            continue
        tag, at = uleb(data, at)
        children = data[at] != 0
        at += 1
        specs: list[tuple[int, int, int]] = []
        while True:
            attribute, form = data[at], data[at + 1]
            if attribute < 0x80 and form < 0x80:
                at += 2
            else:
                attribute, at = uleb(data, at)
                form, at = uleb(data, at)
            constant = 0
            if form == Form.IMPLICIT_CONST:
                constant, at = sleb(data, at)
            if not attribute and not form:
                break
            specs.append((attribute, form, constant))
        key = tag, children, sizes, *specs
        found = known.get(key)
        if found is None:
            found = known[key] = Abbreviation(tag, children, specs, sizes)
        table[code] = found
        if plain:
            known[plain.group(), sizes] = found


def uleb(data: bytes, at: int) -> tuple[int, int]:
    """An unsigned LEB128 number (DWARF 5, section 7.6) and the offset after it."""
    value = data[at]
    if value < 0x80:
        return value, at + 1
    value &= 0x7F
    for digit in range(1, NUMBER_DIGITS):
        byte = data[at + digit]
        value |= (byte & 0x7F) << (7 * digit)
        if byte < 0x80:
            return value, at + digit + 1
    raise DwarfFault(f"the number at offset {at:#x} does not end")


def sleb(data: bytes, at: int) -> tuple[int, int]:
    """A signed LEB128 number and the offset after it."""
    value, end = uleb(data, at)
    bits = 7 * (end - at)
    return (value - (1 << bits) if data[end - 1] & 0x40 else value), end


def _code(form: int, sizes: Sizes) -> str | None:
    """The struct code of a form of fixed size; None for the others."""
    code = _FIXED.get(form) if form in _FORMS else None
    if code is not None:
        return code
    if form in _OFFSETS or form in _OFFSETS_GNU:
        return "I" if sizes.offset == 4 else "Q"
    if form == Form.REF_ADDR:  # the size of an address in DWARF 2, of an offset since (section 7.5.4)
        size = sizes.address if sizes.version == 2 else sizes.offset
        return "I" if size == 4 else "Q"
    if form == Form.ADDR:
        return "I" if sizes.address == 4 else "Q"
    return None


_FORMS = numbers_of(Form)
_NO_BYTES = frozenset((Form.FLAG_PRESENT, Form.IMPLICIT_CONST))


_NOWHERE = -1, 0


def _steps(specs: list[tuple[int, int, int]], sizes: Sizes) -> tuple[list[Step], dict[int, tuple[int, int]]]:
    """The steps; and place and form of each attribute with a fixed number of bytes before it."""
    steps: list[Step] = []
    places: dict[int, tuple[int, int]] = {}
    codes = "<"
    names: list[int] = []
    at = 0
    for attribute, form, _ in specs:
        if form not in _FORMS:
            raise DwarfFault(f"a form that DWARF 5 does not define: {form:#x}")
        if at >= 0:
            places.setdefault(attribute, (at, form))
        if form in _NO_BYTES:
            continue
        code = _code(form, sizes)
        wanted = attribute in _WANTED
        if code is None:
            at = -1
            steps += _run(codes, names)
            codes, names = "<", []
            steps.append(Step(None, (attribute,) if wanted else (), 0, form))
            continue
        size = struct.calcsize("<" + code)
        at += size if at >= 0 else 0
        if wanted:
            codes += code
            names.append(attribute)
        else:
            codes += f"{size}x"
    return steps + _run(codes, names), places


def _run(codes: str, names: list[int]) -> list[Step]:
    if codes == "<":
        return []
    made = struct.Struct(codes)
    return [Step(made.unpack_from, tuple(names), made.size, 0)]


def _variable(data: bytes, at: int, form: int) -> tuple[FormValue, int]:
    """A value of variable length and the offset after it; an indirect one has no use and is passed over."""
    if form in _ULEB:
        return uleb(data, at)
    if form == Form.SDATA:
        return sleb(data, at)
    end = _end_of(data, at, form)
    if form == Form.STRING:
        return data[at : end - 1], end
    if form in (Form.BLOCK, Form.EXPRLOC):
        return data[uleb(data, at)[1] : end], end
    if form in _BLOCK_SIZES:
        return data[at + _BLOCK_SIZES[form] : end], end
    return b"", end


def _end_of(data: bytes, at: int, form: int) -> int:
    """The offset after a value of variable length."""
    if form in _ULEB or form == Form.SDATA:
        while data[at] & 0x80:
            at += 1
        return at + 1
    if form == Form.STRING:
        end = data.find(b"\0", at)
        if end < 0:
            raise DwarfFault(f"the text at offset {at:#x} has no end")
        return end + 1
    if form in (Form.BLOCK, Form.EXPRLOC):
        size, at = uleb(data, at)
        return at + size
    if form in _BLOCK_SIZES:
        width = _BLOCK_SIZES[form]
        return at + width + int.from_bytes(data[at : at + width], "little")
    raise DwarfFault(f"a value whose form follows it (DW_FORM_indirect) at offset {at:#x}")
