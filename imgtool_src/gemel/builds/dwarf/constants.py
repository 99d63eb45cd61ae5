"""Numbers of DWARF that types need.

Sources: DWARF 5 (13 February 2017), section 7.5, tables 7.3 (tags), 7.5 (attributes), 7.6 (forms), 7.11
(encodings); earlier versions have the same numbers.  Names are the standard's without their prefix.

Plain numbers, not enumerations: those take 4 ms to define, and their members are slow to look up.
"""

from __future__ import annotations


class Tag:
    """What a debug entry describes (DW_TAG_...)."""

    ARRAY_TYPE = 0x01
    CLASS_TYPE = 0x02
    ENUMERATION_TYPE = 0x04
    MEMBER = 0x0D
    POINTER_TYPE = 0x0F
    REFERENCE_TYPE = 0x10
    COMPILE_UNIT = 0x11
    STRUCTURE_TYPE = 0x13
    SUBROUTINE_TYPE = 0x15
    TYPEDEF = 0x16
    UNION_TYPE = 0x17
    VARIANT = 0x19
    INHERITANCE = 0x1C
    PTR_TO_MEMBER_TYPE = 0x1F
    SUBRANGE_TYPE = 0x21
    BASE_TYPE = 0x24
    CONST_TYPE = 0x26
    ENUMERATOR = 0x28
    PACKED_TYPE = 0x2D
    VARIANT_PART = 0x33
    VARIABLE = 0x34
    VOLATILE_TYPE = 0x35
    RESTRICT_TYPE = 0x37
    NAMESPACE = 0x39
    UNSPECIFIED_TYPE = 0x3B
    SHARED_TYPE = 0x40
    RVALUE_REFERENCE_TYPE = 0x42
    ATOMIC_TYPE = 0x47
    IMMUTABLE_TYPE = 0x4B


QUALIFIERS = frozenset(
    (
        Tag.CONST_TYPE,
        Tag.VOLATILE_TYPE,
        Tag.RESTRICT_TYPE,
        Tag.ATOMIC_TYPE,
        Tag.IMMUTABLE_TYPE,
        Tag.SHARED_TYPE,
        Tag.PACKED_TYPE,
    )
)
"""Entries that add to another type what does not change its bytes."""

RECORDS = {Tag.STRUCTURE_TYPE: "struct", Tag.CLASS_TYPE: "class", Tag.UNION_TYPE: "union"}
"""Types with members, and their keywords."""

POINTERS = {
    Tag.POINTER_TYPE: "*",
    Tag.REFERENCE_TYPE: "&",
    Tag.RVALUE_REFERENCE_TYPE: "&&",
    Tag.PTR_TO_MEMBER_TYPE: "::*",
}
"""Types that hold an address, and the sign that a declaration has for them."""

NAMED = frozenset((*RECORDS, Tag.ENUMERATION_TYPE, Tag.TYPEDEF, Tag.BASE_TYPE, Tag.UNSPECIFIED_TYPE))
"""Types that a contract can name."""


class At:
    """What an attribute shows (DW_AT_...)."""

    SIBLING = 0x01
    LOCATION = 0x02
    NAME = 0x03
    BYTE_SIZE = 0x0B
    BIT_OFFSET = 0x0C
    BIT_SIZE = 0x0D
    LOW_PC = 0x11
    HIGH_PC = 0x12
    LANGUAGE = 0x13
    DISCR = 0x15
    DISCR_VALUE = 0x16
    COMP_DIR = 0x1B
    CONST_VALUE = 0x1C
    LOWER_BOUND = 0x22
    PRODUCER = 0x25
    BIT_STRIDE = 0x2E
    UPPER_BOUND = 0x2F
    COUNT = 0x37
    DATA_MEMBER_LOCATION = 0x38
    DECLARATION = 0x3C
    ENCODING = 0x3E
    EXTERNAL = 0x3F
    SPECIFICATION = 0x47
    TYPE = 0x49
    BYTE_STRIDE = 0x51
    ENDIANITY = 0x65
    SIGNATURE = 0x69
    DATA_BIT_OFFSET = 0x6B
    LINKAGE_NAME = 0x6E
    STR_OFFSETS_BASE = 0x72
    DWO_NAME = 0x76
    MIPS_LINKAGE_NAME = 0x2007
    GNU_DWO_NAME = 0x2130
    GNU_DWO_ID = 0x2131


class Form:
    """How the value of an attribute is written (DW_FORM_...)."""

    ADDR = 0x01
    BLOCK2 = 0x03
    BLOCK4 = 0x04
    DATA2 = 0x05
    DATA4 = 0x06
    DATA8 = 0x07
    STRING = 0x08
    BLOCK = 0x09
    BLOCK1 = 0x0A
    DATA1 = 0x0B
    FLAG = 0x0C
    SDATA = 0x0D
    STRP = 0x0E
    UDATA = 0x0F
    REF_ADDR = 0x10
    REF1 = 0x11
    REF2 = 0x12
    REF4 = 0x13
    REF8 = 0x14
    REF_UDATA = 0x15
    INDIRECT = 0x16
    SEC_OFFSET = 0x17
    EXPRLOC = 0x18
    FLAG_PRESENT = 0x19
    STRX = 0x1A
    ADDRX = 0x1B
    REF_SUP4 = 0x1C
    STRP_SUP = 0x1D
    DATA16 = 0x1E
    LINE_STRP = 0x1F
    REF_SIG8 = 0x20
    IMPLICIT_CONST = 0x21
    LOCLISTX = 0x22
    RNGLISTX = 0x23
    REF_SUP8 = 0x24
    STRX1 = 0x25
    STRX2 = 0x26
    STRX3 = 0x27
    STRX4 = 0x28
    ADDRX1 = 0x29
    ADDRX2 = 0x2A
    ADDRX3 = 0x2B
    ADDRX4 = 0x2C
    GNU_ADDR_INDEX = 0x1F01
    GNU_STR_INDEX = 0x1F02
    GNU_REF_ALT = 0x1F20
    GNU_STRP_ALT = 0x1F21


UNIT_RELATIVE = frozenset((Form.REF1, Form.REF2, Form.REF4, Form.REF8, Form.REF_UDATA))
"""References counted from the start of their unit."""

STRING_INDEXES = frozenset((Form.STRX, Form.STRX1, Form.STRX2, Form.STRX3, Form.STRX4, Form.GNU_STR_INDEX))
"""Texts by their number in the table of string offsets."""

SIZED_DATA = {Form.DATA1: 1, Form.DATA2: 2, Form.DATA4: 4, Form.DATA8: 8}
"""Numbers of a fixed size whose sign the form does not show."""

ENCODINGS = {
    0x01: "address",
    0x02: "boolean",
    0x03: "complex",
    0x04: "float",
    0x05: "signed",
    0x06: "signed",  # signed_char; what the language calls it does not change a byte
    0x07: "unsigned",
    0x08: "unsigned",  # unsigned_char
    0x09: "imaginary",
    0x0A: "packed decimal",
    0x0D: "signed fixed",
    0x0E: "unsigned fixed",
    0x0F: "decimal float",
    0x10: "unsigned",  # UTF: char16_t and the like
    0x11: "unsigned",  # UCS
    0x12: "unsigned",  # ASCII
}
"""How the bytes of a base type are to be read (DW_ATE_...), in words."""

LANGUAGES = {
    0x01: "C",
    0x02: "C",
    0x0C: "C",
    0x1D: "C",
    0x2C: "C",
    0x3E: "C",
    0x04: "C++",
    0x19: "C++",
    0x1A: "C++",
    0x21: "C++",
    0x2B: "C++",
    0x2E: "C++",
    0x1C: "Rust",
}
"""Languages (DW_LANG_...), table 7.17; those beyond 0x25 from the committee's later list, from memory."""

BIG_ENDIAN = 1
"""DW_END_big."""

PLUS_UCONST = 0x23
"""DW_OP_plus_uconst: DWARF 2 writes where a member is as this operation."""

TYPE_UNIT, SKELETON_UNIT, SPLIT_COMPILE_UNIT, SPLIT_TYPE_UNIT = 0x02, 0x04, 0x05, 0x06
"""DW_UT_..., kinds of units in DWARF 5."""


def numbers_of(names: type) -> frozenset[int]:
    """The numbers that ``At`` or ``Form`` names."""
    return frozenset(number for name, number in vars(names).items() if name.isupper())
