"""The build attributes of an ELF file: what its code demands of the core and of the code it meets.

Layout of the section ``.ARM.attributes`` (ADDENDA32 2025Q4, "Encoding of attributes")::

    'A'                                       format version
    u32 size, "aeabi" NUL                     one or more vendors' parts; sizes count themselves
        1, u32 size, attributes               of the whole file
        2, u32 size, section numbers, 0, ...  of sections (deprecated since 2.09)
        3, u32 size, symbol numbers, 0, ...   of symbols (deprecated since 2.09)

An attribute is a tag number and a value: a number (both ULEB128) or a text ended by NUL.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from gemel.m_profile.attribute_tags import TAGS
from gemel.structs import Struct

VENDOR = "aeabi"
_FILE_SCOPE = 1
_COMPATIBILITY = 32
_TEXT_TAGS = (4, 5)
_NUMBER_DIGITS = 9
"""ULEB128 bytes accepted in one number: 63 bits."""


class AttributesUnreadable(ValueError):
    """The section does not keep the format; the text says where and how."""


class _Number:
    """An attribute that is a number, by its tag; 0 if it is left out or a text."""

    def __init__(self, tag: int) -> None:
        self._tag = tag

    def __get__(self, attributes: BuildAttributes, owner: type) -> int:
        return attributes.number(self._tag)


class BuildAttributes(Struct):
    """What the section says of the whole file.

    ``values`` holds what is written, by tag number; a tag left out means 0 or the empty text.
    ``compatibility`` is (flag, vendor) of every such attribute; a flag above 1 names an arrangement
    outside the standard.  ``not_understood`` are tags below 64 (modulo 128) that the standard does not
    define: a reader that meets one must not rely on the file's demands being complete.
    ``narrower_scopes`` counts the parts that name single sections or symbols.
    """

    values: Mapping[int, int | str]
    compatibility: tuple[tuple[int, str], ...] = ()
    not_understood: tuple[int, ...] = ()
    narrower_scopes: int = 0

    def number(self, tag: int) -> int:
        """The number written for ``tag``; 0 if it is left out or a text."""
        value = self.values.get(tag, 0)
        return value if isinstance(value, int) else 0

    def text(self, tag: int) -> str:
        """The text written for ``tag``; empty if it is left out or a number."""
        value = self.values.get(tag, "")
        return value if isinstance(value, str) else ""

    def in_words(self, tag: int) -> str:
        """The value of ``tag`` in words; the text itself, or the bare number where there are none."""
        value = self.values.get(tag, 0)
        if isinstance(value, str):
            return value
        known = TAGS.get(tag)
        return known.values.get(value, str(value)) if known else str(value)

    @property
    def cpu_name(self) -> str:
        """Name of the processor the code was made for (tag 5, or 4); may be empty."""
        return self.text(5) or self.text(4)

    cpu_arch = _Number(6)
    """Architecture (tag 6): 10 Armv7, 11, 12 Armv6-M, 13 Armv7E-M, 16, 17 Armv8-M, 21 Armv8.1-M."""

    @property
    def profile(self) -> str:
        """Architecture profile (tag 7): ``A``, ``R``, ``M`` or ``S``; empty if none is written."""
        value = self.number(7)
        return chr(value) if 0x20 < value < 0x7F else ""

    arm_instructions = _Number(8)
    """Use of the Arm instruction set (tag 8): 0 none, 1 allowed."""
    fp_arch = _Number(10)
    """Floating-point instructions (tag 10): 0 none, 1 to 8 the version."""
    advanced_simd = _Number(12)
    """Advanced SIMD instructions (tag 12): 0 none."""
    wchar_size = _Number(18)
    """Size of ``wchar_t`` in bytes (tag 18): 2 or 4; 0 if not used."""
    enum_size = _Number(26)
    """Size of enums (tag 26): 0 none used, 1 smallest, 2 32-bit, 3 32-bit where others see them."""
    hard_fp_use = _Number(27)
    """Narrowing of the floating-point instructions (tag 27): 1 single precision only."""
    fp_args = _Number(28)
    """Where floating-point arguments go (tag 28): 0 core, 1 floating-point registers, 2 own, 3 either."""
    unaligned_access = _Number(34)
    """Whether the code makes unaligned data accesses (tag 34): 0 no, 1 yes."""
    division = _Number(44)
    """Divide instructions (tag 44): 0 as the architecture has it, 1 not used, 2 used as an option."""
    dsp = _Number(46)
    """DSP instructions (tag 46): 0 as the architecture has it, 1 used as an option."""
    mve = _Number(48)
    """Vector extension (tag 48): 0 none, 1 integer, 2 integer and floating point."""


def read_attributes(section: bytes) -> BuildAttributes:
    """The attributes in the bytes of one section; AttributesUnreadable if it breaks the format."""
    if section[:1] != b"A":
        raise AttributesUnreadable(
            f"it begins with {section[:1].hex() or 'nothing'}, not with the format version 41"
        )
    values: dict[int, int | str] = {}
    compatibility: list[tuple[int, str]] = []
    narrower = 0
    at = 1
    while at < len(section):
        part = _part(section, at, 0, "a vendor's part")
        at += len(part)
        vendor, start = _text(part, 4)
        while vendor == VENDOR and start < len(part):
            scope, after = _number(part, start)
            scope_head = after - start
            attributes = _part(part, start, scope_head, "a scope")
            start += len(attributes)
            if scope == _FILE_SCOPE:
                _read_scope(attributes, scope_head + 4, values, compatibility)
            else:
                narrower += 1
    unknown = sorted(tag for tag in values if tag % 128 < 64 and tag not in TAGS)
    return BuildAttributes(MappingProxyType(values), tuple(compatibility), tuple(unknown), narrower)


def _read_scope(
    data: bytes, at: int, values: dict[int, int | str], compatibility: list[tuple[int, str]]
) -> None:
    """Add the attributes in ``data`` from ``at`` on.

    What a tag's value is follows from its number (ADDENDA32, "Coding extensibility and compatibility"):
    above 32 even tags have numbers and odd ones texts, so that unknown ones can be passed over.
    """
    while at < len(data):
        tag, at = _number(data, at)
        if tag == _COMPATIBILITY:
            flag, at = _number(data, at)
            vendor, at = _text(data, at)
            compatibility.append((flag, vendor))
        elif tag in _TEXT_TAGS or (tag > _COMPATIBILITY and tag % 2):
            values[tag], at = _text(data, at)
        else:
            values[tag], at = _number(data, at)


def _part(data: bytes, start: int, size_at: int, what: str) -> bytes:
    """The bytes from ``start`` on whose 4-byte size stands ``size_at`` bytes after it."""
    field = data[start + size_at : start + size_at + 4]
    size = int.from_bytes(field, "little")
    if len(field) < 4 or size < size_at + 4 or start + size > len(data):
        raise AttributesUnreadable(
            f"{what} at offset {start} says it has {size:,} bytes, and {len(data) - start:,} are left"
        )
    return data[start : start + size]


def _text(data: bytes, at: int) -> tuple[str, int]:
    end = data.find(b"\0", at)
    if end < 0:
        raise AttributesUnreadable(f"the text at offset {at} has no end")
    return data[at:end].decode("utf-8", "replace"), end + 1


def _number(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for digit in range(_NUMBER_DIGITS):
        if at + digit >= len(data):
            raise AttributesUnreadable(f"the number at offset {at} is cut")
        byte = data[at + digit]
        value |= (byte & 0x7F) << (7 * digit)
        if byte < 0x80:
            return value, at + digit + 1
    raise AttributesUnreadable(f"the number at offset {at} has more than {_NUMBER_DIGITS} digits")
