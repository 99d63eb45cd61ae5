"""Debug information in forms that the compilers at hand do not write.  DWARF 5, sections 5 and 7.5."""

from __future__ import annotations

import pytest
from dwarf_writer import Entry, basic, debug_elf, member, record

from gemel.builds.dwarf.abbreviations import BEGINNING, KnownAbbreviations, Sizes, read_table
from gemel.builds.dwarf.constants import At, Form, Tag
from gemel.builds.dwarf.debug_types import DebugTypes, scoped
from gemel.builds.dwarf.types import Array, Basic, Composite, Enumeration, Opaque
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource


def types_of(data: bytes) -> DebugTypes:
    """The types in an ELF file."""
    build = read_build(BytesSource(data), name="station", file="station.elf")
    assert build.debug is not None
    return build.debug.types()


def the(types: DebugTypes, spelling: str) -> Composite:
    """The one record of that name."""
    (reference,) = types.named(spelling)
    found = types.type_at(reference)
    assert isinstance(found, Composite)
    return found


@pytest.mark.parametrize("form", [Form.STRING, Form.STRP, Form.LINE_STRP, Form.STRX1, Form.STRX])
@pytest.mark.parametrize("name", ["link_frame", "f"])
def test_a_name_is_found_in_every_form(form: Form, name: str) -> None:
    """Names inline, in either table of texts and by number are found; so is the tail of another."""
    number = basic()
    frame = Entry(
        Tag.STRUCTURE_TYPE,
        {At.NAME: (form, name), At.BYTE_SIZE: 4},
        [Entry(Tag.MEMBER, {At.NAME: (form, "of_" + name), At.TYPE: number})],
    )
    other = Entry(Tag.STRUCTURE_TYPE, {At.NAME: (form, "the_" + name), At.BYTE_SIZE: 8}, [])
    types = types_of(debug_elf(other, number, frame))
    assert the(types, f"struct {name}").members[0].name == "of_" + name
    assert the(types, f"struct {name}").size == 4
    assert types.named(f"union {name}") == ()


@pytest.mark.parametrize("version", [2, 3, 4, 5])
def test_a_member_s_place_in_every_form(version: int) -> None:
    """A place as a number, as an operation, left out, and computed; bits in the old and the new way."""
    number = basic()
    operation = b"\x23\x84\x01"  # DW_OP_plus_uconst 132
    parts = [
        Entry(Tag.MEMBER, {At.NAME: "left_out", At.TYPE: number}),
        member("number", number, 8),
        member("operation", number, operation),  # type: ignore[arg-type]
        member("computed", number, b"\x06"),  # type: ignore[arg-type]
        member("old_bits", number, 4, byte_size=4, bit_size=5, bit_offset=20),
        Entry(Tag.MEMBER, {At.NAME: "new_bits", At.TYPE: number, At.BIT_SIZE: 5, At.DATA_BIT_OFFSET: 39}),
        member("old_bits_over_the_end", number, 4, bit_size=12, bit_offset=(Form.DATA4, 0xFFFF_FFFC)),
    ]
    found = the(types_of(debug_elf(number, record("r", 200, *parts), version=version)), "struct r")
    assert [(each.name, each.bit, each.bits) for each in found.members] == [
        ("left_out", 0, None),
        ("number", 64, None),
        ("operation", 132 * 8, None),
        ("computed", None, None),
        ("old_bits", 32 + 32 - 20 - 5, 5),
        ("new_bits", 39, 5),
        ("old_bits_over_the_end", 32 + 32 + 4 - 12, 12),
    ]


def test_constants_in_the_abbreviation_count() -> None:
    """A value that stands in the abbreviation itself is read (DW_FORM_implicit_const)."""
    number = Entry(
        Tag.BASE_TYPE,
        {At.NAME: "n", At.BYTE_SIZE: (Form.IMPLICIT_CONST, 4), At.ENCODING: (Form.IMPLICIT_CONST, 5)},
    )
    types = types_of(debug_elf(number))
    assert types.type_at(types.named("n")[0]) == Basic("n", 4, "signed")


@pytest.mark.parametrize(
    ("bounds", "count"),
    [
        ({At.COUNT: 3}, 3),
        ({At.UPPER_BOUND: 3}, 4),
        ({At.LOWER_BOUND: 1, At.UPPER_BOUND: 3}, 3),
        ({At.UPPER_BOUND: -1}, 0),
        ({At.UPPER_BOUND: (Form.DATA4, 0xFFFF_FFFF)}, None),
        ({At.UPPER_BOUND: b"\x91\x00"}, None),
        ({}, None),
    ],
)
def test_bounds_of_arrays(bounds: dict[int, object], count: int | None) -> None:
    """Counts, bounds, an empty array, an open one and one whose bound is computed at run time."""
    number = basic()
    array = Entry(Tag.ARRAY_TYPE, {At.TYPE: number}, [Entry(Tag.SUBRANGE_TYPE, bounds)])
    types = types_of(debug_elf(number, array, Entry(Tag.TYPEDEF, {At.NAME: "list", At.TYPE: array})))
    _, found = types.resolved(types.named("list")[0])
    assert isinstance(found, Array)
    assert found.counts == (count,)
    assert types.size_of(types.named("list")[0]) == (None if count is None else 4 * count)


@pytest.mark.parametrize(("sign", "expected"), [(5, -1), (7, 0xFF)])
def test_numbers_without_a_sign_are_read_as_the_type_has_them(sign: int, expected: int) -> None:
    """Rust writes -1 of an i8 as 255, in a form without a sign."""
    of = basic("i8", 1, sign)
    value = Entry(Tag.ENUMERATOR, {At.NAME: "LOW", At.CONST_VALUE: (Form.UDATA, 0xFF)})
    whole = Entry(Tag.ENUMERATION_TYPE, {At.NAME: "e", At.BYTE_SIZE: 1, At.TYPE: of}, [value])
    types = types_of(debug_elf(of, whole))
    assert types.type_at(types.named("enum e")[0]).enumerators == (("LOW", expected),)
    assert types.constants("LOW") == (expected,)


def test_values_of_enumerators_in_every_form() -> None:
    """Signed numbers, numbers whose sign the type tells, and 16 bytes."""
    signed, wide = basic("int", 4, 5), b"\x05" + bytes(15)
    values: dict[str, object] = {
        "A": -3,
        "B": (Form.DATA1, 0xFE),
        "C": (Form.DATA4, 0xFFFF_FFFF),
        "D": (Form.DATA16, wide),
        "E": 70,
    }
    for of, expected in ((signed, [-3, -2, -1, 5, 70]), (basic(), [-3, 0xFE, 0xFFFF_FFFF, 5, 70])):
        enumerators = [
            Entry(Tag.ENUMERATOR, {At.NAME: name, At.CONST_VALUE: value}) for name, value in values.items()
        ]
        whole = Entry(Tag.ENUMERATION_TYPE, {At.NAME: "e", At.BYTE_SIZE: 4, At.TYPE: of}, enumerators)
        types = types_of(debug_elf(of, whole))
        found = types.type_at(types.named("enum e")[0])
        assert isinstance(found, Enumeration)
        assert [value for _, value in found.enumerators] == expected
        assert [types.constants(name) for name in values] == [(value,) for value in expected]


def test_names_as_rust_writes_them() -> None:
    """Structures in crates and modules, generic ones, and enumerations with data (variant parts)."""
    number, byte = basic("u32", 4, 7), basic("u8", 1, 7)
    some = record("Some", 8, member("__0", number, 4))
    part = Entry(
        Tag.VARIANT_PART,
        {At.DISCR: 0},
        [
            Entry(Tag.MEMBER, {At.TYPE: number, At.DATA_MEMBER_LOCATION: 0}),
            Entry(Tag.VARIANT, {At.DISCR_VALUE: 1}, [member("Some", some)]),
            Entry(Tag.VARIANT, {}, [member("None", some)]),
        ],
    )
    option = Entry(Tag.STRUCTURE_TYPE, {At.NAME: "Option<u32>", At.BYTE_SIZE: 8}, [part, some])
    frame = record("Frame<link::Mode, 4>", 12, member("level", option), member("mode", byte, 8))
    space = Entry(Tag.NAMESPACE, {At.NAME: "wire"}, [frame])
    crate = Entry(Tag.NAMESPACE, {At.NAME: "link"}, [space, option])
    types = types_of(debug_elf(number, byte, crate))
    assert the(types, "link::wire::Frame<link::Mode, 4>").size == 12
    assert the(types, "struct link::wire::Frame<link::Mode, 4>").size == 12
    found = the(types, "link::Option<u32>")
    assert [(each.name, each.case) for each in found.members] == [
        ("", None),
        ("Some", "1"),
        ("None", "others"),
    ]
    assert types.near_names("Frame<link::Mode, 4>") == ["struct link::wire::Frame<link::Mode, 4>"]
    assert the(types, "link::Option<u32>::Some").size == 8


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("a::b<c::d>::e", ["a", "b<c::d>", "e"]),
        ("::a", ["a"]),
        ("{closure#0}", ["{closure#0}"]),
        ("a::{impl#2}::b::(x::y)", ["a", "{impl#2}", "b", "(x::y)"]),
        ("plain", ["plain"]),
        ("<T as core::Trait>::Out", ["<T as core::Trait>", "Out"]),
        ("a>::b", ["a>", "b"]),
    ],
)
def test_names_are_parted_outside_of_brackets(name: str, parts: list[str]) -> None:
    """Two colons inside of brackets belong to the name."""
    assert scoped(name) == parts


def test_other_types() -> None:
    """Byte order, unspecified types, functions, base types told in bits, and anonymous namespaces."""
    big = Entry(
        Tag.BASE_TYPE,
        {At.NAME: "be", At.BIT_SIZE: 24, At.ENCODING: 7, At.ENDIANITY: 1},
    )
    odd = Entry(Tag.BASE_TYPE, {At.NAME: "odd", At.BYTE_SIZE: 2, At.ENCODING: 0x80})
    null = Entry(Tag.UNSPECIFIED_TYPE, {At.NAME: "decltype(nullptr)"})
    function = Entry(Tag.SUBROUTINE_TYPE, {})
    call = Entry(Tag.TYPEDEF, {At.NAME: "call", At.TYPE: Entry(0, {})})
    call = Entry(Tag.TYPEDEF, {At.NAME: "call", At.TYPE: function})
    nothing = Entry(Tag.TYPEDEF, {At.NAME: "nothing"})
    hidden = Entry(Tag.NAMESPACE, {}, [record("inside", 1)])
    types = types_of(debug_elf(big, odd, null, function, call, nothing, hidden))
    assert types.type_at(types.named("be")[0]) == Basic("be", 3, "unsigned", big_endian=True)
    assert types.type_at(types.named("odd")[0]) == Basic("odd", 2, "encoding 0x80")
    assert types.resolved(types.named("call")[0])[1] == Opaque("function")
    assert types.resolved(types.named("nothing")[0]) == (None, Opaque("void"))
    assert types.type_at(types.named("decltype(nullptr)")[0]) == Opaque("decltype(nullptr)")
    assert the(types, "inside").size == 1


def test_declarations_do_not_count_and_find_their_definition() -> None:
    """What is only declared is not found by name, and behind a pointer its definition is taken."""
    declared = Entry(Tag.STRUCTURE_TYPE, {At.NAME: "node", At.DECLARATION: True})
    pointer = Entry(Tag.POINTER_TYPE, {At.TYPE: declared, At.BYTE_SIZE: 4})
    defined = record("node", 4, member("next", pointer))
    lost = Entry(Tag.STRUCTURE_TYPE, {At.NAME: "lost", At.DECLARATION: True})
    types = types_of(debug_elf(declared, pointer, defined, lost))
    (reference,) = types.named("struct node")
    target = the(types, "struct node").members[0].type
    assert types.definition(types.type_at(target).target)[0] == reference  # type: ignore[union-attr]
    assert types.named("struct lost") == ()


def test_abbreviations_that_begin_alike_are_read_as_they_are() -> None:
    """A table of the same bytes is the one that was read before; one that differs at its end, or is longer, is not."""
    entry = bytes((Tag.BASE_TYPE, 0, At.NAME, Form.STRP, At.BYTE_SIZE, Form.DATA1, 0, 0))
    same = b"".join(bytes((code,)) + entry for code in range(1, BEGINNING // 4))
    other = bytes((BEGINNING, Tag.TYPEDEF, 0, At.NAME, Form.STRING, 0, 0))
    sizes, known = Sizes(5, 4, 4), KnownAbbreviations()
    tables = [same + b"\0", same + other + b"\0", same + b"\0", same + b"\0", same + other + b"\0"]
    at, read = 0, []
    for each in tables:
        table, end = read_table(b"".join(tables), at, sizes, known)
        assert end == at + len(each)
        assert set(table) == {*range(1, BEGINNING // 4), *([BEGINNING] if other in each else [])}
        at, read = end, [*read, table]
    assert read[3] is read[2]
    assert read[4][BEGINNING].tag == Tag.TYPEDEF
