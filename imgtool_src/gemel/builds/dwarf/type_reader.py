"""From entries to types."""

from __future__ import annotations

from gemel.builds.dwarf.abbreviations import FormValue, uleb
from gemel.builds.dwarf.constants import (
    BIG_ENDIAN,
    ENCODINGS,
    PLUS_UCONST,
    POINTERS,
    QUALIFIERS,
    RECORDS,
    SIZED_DATA,
    At,
    Tag,
)
from gemel.builds.dwarf.entries import Attributes, DieOffset, Entries
from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.types import (
    Alias,
    Array,
    Basic,
    Composite,
    Enumeration,
    Member,
    Opaque,
    Pointer,
    Reference,
    Type,
)

POINTER_SIZE = 4
"""Bytes of a pointer whose entry does not say: a 32-bit core's."""

MAX_MEMBERS = 20_000
"""Members or enumerators of one type that are read at most."""

STEPS_OF_PART = 6
"""A member or enumerator costs as much as so many entries that are walked over, besides reading it: it is compared."""

ACCESS: dict[int, str] = {Tag.VOLATILE_TYPE: "volatile", Tag.ATOMIC_TYPE: "atomic"}
"""Qualifiers that say how an object is accessed."""

SIGNS = {"signed": True, "unsigned": False, "boolean": False}
"""Whether numbers of an encoding have a sign."""

_OF_BITS = {At.BIT_SIZE, At.DATA_BIT_OFFSET}
"""Attributes without one of which a member is no bit field, and starts at a byte."""

_UNKNOWN_COUNTS = (0xFFFF_FFFF, 0xFFFF_FFFF_FFFF_FFFF)


def read_type(entries: Entries, reference: Reference) -> Type:
    """The type whose entry is at ``reference``; DwarfFault if it is none."""
    place = entries.at(reference)
    attributes = entries.read(place)
    tag = place.abbreviation.tag
    if At.SIGNATURE in attributes.values and (tag in RECORDS or tag == Tag.ENUMERATION_TYPE):
        whole = _reference(entries, attributes, At.SIGNATURE)
        return Alias("", whole) if whole != reference else Opaque("a type that refers to itself")
    if tag == Tag.BASE_TYPE:
        return _basic(entries, attributes)
    if tag in POINTERS:
        size = attributes.number(At.BYTE_SIZE)
        target = _reference(entries, attributes, At.TYPE)
        own = entries.name(place) if At.NAME in attributes.values else ""
        return Pointer(POINTERS[tag], POINTER_SIZE if size is None else size, target, own)
    if tag in RECORDS:
        return _record(entries, attributes, RECORDS[tag])
    if tag == Tag.ENUMERATION_TYPE:
        return _enumeration(entries, attributes)
    if tag == Tag.ARRAY_TYPE:
        return _array(entries, attributes)
    if tag == Tag.TYPEDEF or tag in QUALIFIERS:
        name = entries.name(place) if tag == Tag.TYPEDEF else ""
        return Alias(name, _reference(entries, attributes, At.TYPE), ACCESS.get(tag, ""))
    if tag == Tag.SUBROUTINE_TYPE:
        return Opaque("function")
    if tag == Tag.UNSPECIFIED_TYPE:
        return Opaque(entries.name(place) or "unspecified", attributes.number(At.BYTE_SIZE))
    return Opaque(f"entry with tag {tag:#x}", attributes.number(At.BYTE_SIZE))


def _reference(entries: Entries, attributes: Attributes, attribute: int) -> Reference | None:
    place = attributes.place
    return entries.reference(place.unit, place.abbreviation, attributes.values, attribute)


def _needed(entries: Entries, attributes: Attributes) -> Reference:
    found = _reference(entries, attributes, At.TYPE)
    if found is None:
        raise DwarfFault(f"the entry at offset {attributes.place.offset:#x} has no type")
    return found


def _basic(entries: Entries, attributes: Attributes) -> Basic:
    encoding = attributes.number(At.ENCODING) or 0
    size = attributes.number(At.BYTE_SIZE)
    bits = attributes.number(At.BIT_SIZE)
    if size is None and bits is not None:
        size = -(-bits // 8)
    return Basic(
        entries.name_in(attributes),
        size,
        ENCODINGS.get(encoding, f"encoding {encoding:#x}"),
        attributes.number(At.ENDIANITY) == BIG_ENDIAN,
    )


def _enumeration(entries: Entries, attributes: Attributes) -> Enumeration:
    underlying = _reference(entries, attributes, At.TYPE)
    signed: bool | None = None
    size = attributes.number(At.BYTE_SIZE)
    for _ in range(16):
        if underlying is None:
            break
        found = read_type(entries, underlying)
        if isinstance(found, Basic):
            signed, size = SIGNS.get(found.encoding), found.size if size is None else size
        if not isinstance(found, Alias):
            break
        underlying = found.target
    encoding = attributes.number(At.ENCODING)
    if encoding is not None:
        signed = SIGNS.get(ENCODINGS.get(encoding, ""))
    enumerators: list[tuple[str, int]] = []
    for child in entries.children(attributes.place):
        if child.abbreviation.tag != Tag.ENUMERATOR:
            continue
        entries.walked(STEPS_OF_PART)
        read = entries.read(child)
        enumerators.append((entries.name_in(read), constant_of(read, bool(signed), size) or 0))
        _bounded(len(enumerators), attributes)
    return Enumeration(
        entries.name_in(attributes), size, signed, tuple(enumerators), bool(attributes.number(At.DECLARATION))
    )


def constant_of(attributes: Attributes, signed: bool, size: int | None) -> int | None:
    """The constant value of an enumerator or variable; None if it has none or no number.

    ``signed`` and the type's ``size`` say how to read forms of a fixed size, which do not show, and numbers without
    a sign, as which Rust has -1 of an ``i8``: 255.
    """
    value = attributes.values.get(At.CONST_VALUE)
    if isinstance(value, bytes):
        return int.from_bytes(value, "little", signed=signed) if 0 < len(value) <= 16 else None
    if value is None:
        return None
    form = attributes.place.abbreviation.forms[At.CONST_VALUE]
    of_form = next((size for sized, size in SIZED_DATA.items() if sized == form), 0)
    for each in (of_form, size or 0) if signed else ():
        if each and value >> (8 * each - 1) == 1:
            return value - (1 << 8 * each)
    return value


def _array(entries: Entries, attributes: Attributes) -> Array:
    counts: list[int | None] = []
    for child in entries.children(attributes.place):
        if child.abbreviation.tag in (Tag.SUBRANGE_TYPE, Tag.ENUMERATION_TYPE):
            counts.append(_count(entries.read(child)))
            _bounded(len(counts), attributes)
    stride = attributes.number(At.BYTE_STRIDE)
    if stride is None and (bits := attributes.number(At.BIT_STRIDE)) is not None and bits % 8 == 0:
        stride = bits // 8
    return Array(_needed(entries, attributes), tuple(counts) or (None,), stride)


def _count(bounds: Attributes) -> int | None:
    count = bounds.number(At.COUNT)
    if count is not None:
        return None if count in _UNKNOWN_COUNTS else count
    upper = bounds.number(At.UPPER_BOUND)
    if upper is None or upper in _UNKNOWN_COUNTS:
        return None
    return max(0, upper - (bounds.number(At.LOWER_BOUND) or 0) + 1)


def _record(entries: Entries, attributes: Attributes, kind: str) -> Composite:
    members: list[Member] = []
    for child in entries.children(attributes.place):
        tag = child.abbreviation.tag
        if tag in (Tag.MEMBER, Tag.INHERITANCE):
            members += _member(entries, child, None)
        elif tag == Tag.VARIANT_PART:
            members += _variants(entries, child)
        _bounded(len(members), attributes)
    return Composite(
        kind,
        entries.name_in(attributes),
        attributes.number(At.BYTE_SIZE),
        tuple(members),
        bool(attributes.number(At.DECLARATION)),
    )


def _variants(entries: Entries, part: DieOffset) -> list[Member]:
    """The members of a variant part: its discriminant, and those of each variant with their case."""
    members: list[Member] = []
    for child in entries.children(part):
        tag = child.abbreviation.tag
        if tag == Tag.MEMBER:
            members += _member(entries, child, None)
        elif tag == Tag.VARIANT:
            value = entries.read(child).values.get(At.DISCR_VALUE)
            case = str(value) if isinstance(value, int) else "others"
            for inner in entries.children(child):
                if inner.abbreviation.tag == Tag.MEMBER:
                    members += _member(entries, inner, case)
    return members


def _member(entries: Entries, place: DieOffset, case: str | None) -> list[Member]:
    """The member at ``place``; nothing for a static one, which is no part of the record."""
    entries.walked(STEPS_OF_PART)
    attributes = entries.read(place)
    if At.EXTERNAL in attributes.values or At.DECLARATION in attributes.values:
        return []
    if At.CONST_VALUE in attributes.values:
        return []
    name = "(base)" if place.abbreviation.tag == Tag.INHERITANCE else entries.name_in(attributes)
    return [Member(name, _needed(entries, attributes), *_bits(entries, attributes), case)]


def _bits(entries: Entries, attributes: Attributes) -> tuple[int | None, int | None]:
    """The first bit of a member and, for a bit field, its size.

    DWARF 4 counts DATA_BIT_OFFSET from the start of the record.  DWARF 2 and 3 count BIT_OFFSET from the
    most significant bit of a unit of BYTE_SIZE bytes (or the member's type) at the member's location.
    """
    location = _location(attributes.values.get(At.DATA_MEMBER_LOCATION))
    if location is not None and not _OF_BITS & attributes.values.keys():
        return 8 * location, None
    bits = attributes.number(At.BIT_SIZE)
    start = attributes.number(At.DATA_BIT_OFFSET)
    if start is not None:
        return start + 8 * (location or 0), bits
    if location is None:
        return None, bits
    from_top = attributes.number(At.BIT_OFFSET)
    if bits is None or from_top is None:
        return 8 * location, bits
    unit = attributes.number(At.BYTE_SIZE)
    if unit is None:
        unit = _size_of_basic(entries, _needed(entries, attributes))
    if from_top >= 1 << 31:  # a negative number in a form without a sign
        from_top -= 1 << (64 if from_top >= 1 << 63 else 32)
    return 8 * location + 8 * unit - from_top - bits, bits


def _size_of_basic(entries: Entries, reference: Reference) -> int:
    for _ in range(16):
        found = read_type(entries, reference)
        if not isinstance(found, Alias):
            return (found.size if isinstance(found, Basic | Enumeration) else None) or 4
        if found.target is None:
            break
        reference = found.target
    return 4


def _location(value: FormValue | None) -> int | None:
    """Bytes from the start of the record; None if they are computed at run time."""
    if value is None:
        return 0
    if isinstance(value, int):
        return value
    if value[:1] == bytes((PLUS_UCONST,)):
        number, end = uleb(value + b"\0", 1)
        return number if end == len(value) else None
    return None


def _bounded(count: int, attributes: Attributes) -> None:
    if count > MAX_MEMBERS:
        raise DwarfFault(
            f"the type at offset {attributes.place.offset:#x} has more than {MAX_MEMBERS:,} parts"
        )
