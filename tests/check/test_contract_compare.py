"""When types agree and when they do not: single differences, each against a type that is equal but for it."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from contract_builds import types_in
from dwarf_writer import Entry, basic, debug_elf, member, record
from verdict_builds import ARCHITECTURES, build_of

from gemel.builds.dwarf.constants import At, Tag
from gemel.builds.dwarf.debug_types import DebugTypes
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.contract.comparison import TypeComparison
from gemel.checking.contract.picture import first_difference, side_by_side
from gemel.checking.contract.rows import PADDING, Cell, Row, rows_of
from gemel.errors import BuildError

U32, INT = ("unsigned", 4, 7), ("int", 4, 5)


def types_of(*entries: Entry) -> DebugTypes:
    """The types of a file with these entries."""
    build = read_build(BytesSource(debug_elf(*entries)), name="station", file="station.elf")
    assert build.debug is not None
    return build.debug.types()


def in_verdict(file: str) -> DebugTypes:
    """The types of one of the builds of ``testdata/verdict``."""
    debug = build_of("sampler", file).debug
    assert debug is not None
    return debug.types()


def compared(
    left: list[Entry], right: list[Entry], name: str = "r", follow: bool = False
) -> tuple[bool, list[Row]]:
    """Whether the types called ``name`` agree, and the rows of both."""
    mine, theirs = types_of(*left), types_of(*right)
    comparison = TypeComparison(mine, theirs, follow)
    references = mine.named(name)[0], theirs.named(name)[0]
    return comparison.same(*references), rows_of(comparison, *references, name)


def pair(
    *of: tuple[str, int, int],
    size: int = 8,
    names: tuple[str, str] = ("a", "b"),
    tag: int = Tag.STRUCTURE_TYPE,
):
    """A record of two members of four bytes."""
    kinds = [basic(*each) for each in of or (U32, U32)]
    parts = [member(name, kind, 4 * at) for at, (name, kind) in enumerate(zip(names, kinds, strict=True))]
    return [*kinds, record("r", size, *parts, tag=tag)]


def array(count: int, stride: int | None = None) -> list[Entry]:
    """A record of one array."""
    number = basic()
    bounds = Entry(Tag.SUBRANGE_TYPE, {At.COUNT: count})
    more = {At.BYTE_STRIDE: stride} if stride else {}
    whole = Entry(Tag.ARRAY_TYPE, {At.TYPE: number, **more}, [bounds])
    return [number, whole, record("r", 64, member("list", whole))]


def enumeration(*values: int, size: int = 1) -> list[Entry]:
    """A record of one enumeration."""
    names = [
        Entry(Tag.ENUMERATOR, {At.NAME: f"E{at}", At.CONST_VALUE: value}) for at, value in enumerate(values)
    ]
    whole = Entry(Tag.ENUMERATION_TYPE, {At.NAME: "e", At.BYTE_SIZE: size}, names)
    return [whole, record("r", 4, member("of", whole))]


def of_sign(encoding: int | None) -> list[Entry]:
    """A record of an enumeration whose underlying type has an encoding, or does not state one."""
    under = basic("byte", 1, encoding or 8)
    names = [Entry(Tag.ENUMERATOR, {At.NAME: "E0", At.CONST_VALUE: 0})]
    stated = {} if encoding is None else {At.TYPE: under}
    whole = Entry(Tag.ENUMERATION_TYPE, {At.NAME: "e", At.BYTE_SIZE: 1, **stated}, names)
    return [under, whole, record("r", 4, member("of", whole))]


def behind(size: int) -> list[Entry]:
    """A record with a pointer to another."""
    number = basic()
    target = record("target", size, member("value", number))
    pointer = Entry(Tag.POINTER_TYPE, {At.TYPE: target, At.BYTE_SIZE: 4})
    return [number, target, pointer, record("r", 4, member("at", pointer))]


def bit_fields(cut_from: int, *sizes: int) -> list[Entry]:
    """A record of bit fields, 3, 5 and 8 bits of a type of so many bytes, or as given."""
    number = basic("number", cut_from, 7)
    parts, at = [], 0
    for name, bits in zip("abc", sizes or (3, 5, 8), strict=False):
        place = {At.DATA_BIT_OFFSET: at, At.BIT_SIZE: bits}
        if bits == 8 * cut_from:
            place = {At.DATA_MEMBER_LOCATION: at // 8}
        parts.append(Entry(Tag.MEMBER, {At.NAME: name, At.TYPE: number, **place}))
        at += bits
    return [number, record("r", 2, *parts)]


def unnamed(tag: int, names: tuple[str, ...]) -> list[Entry]:
    """The members of ``pair``, those of ``names`` inside of a structure or union without a name."""
    number = basic(*U32)
    inside = record(
        "", 4 * len(names), *(member(name, number, 4 * at) for at, name in enumerate(names)), tag=tag
    )
    around = [] if "a" in names else [member("a", number, 0)]
    return [number, inside, record("r", 8, *around, member("", inside, 4 * len(around)))]


def big_endian() -> list[Entry]:
    """A record whose numbers have another byte order."""
    entries = pair()
    entries[0].attributes = {**entries[0].attributes, At.ENDIANITY: 1}
    return entries


DIFFERENT: dict[str, tuple[Callable[[], list[Entry]], Callable[[], list[Entry]], str]] = {
    "size": (pair, lambda: pair(size=12), "r"),
    "name of a member": (pair, lambda: pair(names=("a", "c")), "unsigned b"),
    "order of bit fields": (lambda: bit_fields(2), lambda: bit_fields(2, 5, 3, 8), "number a"),
    "a union of two members": (pair, lambda: unnamed(Tag.UNION_TYPE, ("a", "b")), "unsigned a"),
    "order of members": (pair, lambda: pair(names=("b", "a")), "unsigned a"),
    "sign": (pair, lambda: pair(U32, INT), "unsigned b"),
    "float": (pair, lambda: pair(("float", 4, 4), U32), "unsigned a"),
    "byte order": (pair, big_endian, "unsigned a (unsigned)"),
    "union": (pair, lambda: pair(tag=Tag.UNION_TYPE), "struct r"),
    "count": (lambda: array(4), lambda: array(5), "unsigned list[4]"),
    "stride": (lambda: array(4), lambda: array(4, 8), "unsigned list[4]"),
    "enumerator": (lambda: enumeration(0, 1), lambda: enumeration(0, 2), "E1"),
    "more enumerators": (lambda: enumeration(0, 1), lambda: enumeration(0, 1, 2), "E2"),
    "sign of an enumeration": (lambda: of_sign(8), lambda: of_sign(6), "enum e of (unsigned)"),
    "no element": (lambda: array(0), lambda: array(1), "unsigned list[0]"),
    "size of an enumeration": (lambda: enumeration(0, 1), lambda: enumeration(0, 1, size=4), "enum e of"),
}


@pytest.mark.parametrize("name", DIFFERENT)
def test_one_difference_is_found_and_shown(name: str) -> None:
    """Types that differ in one thing do not agree, either way around; its row is marked first."""
    left, right, label = DIFFERENT[name]
    same, rows = compared(left(), right())
    assert not same
    assert rows[first_difference(rows)].label == label
    assert rows[first_difference(rows)].differs
    assert not compared(right(), left())[0]
    assert compared(left(), left())[0]
    assert not any(row.differs for row in compared(left(), left())[1])


EQUAL: dict[str, tuple[Callable[[], list[Entry]], Callable[[], list[Entry]]]] = {
    "names of base types": (pair, lambda: pair(("long unsigned int", 4, 7), ("uint", 4, 7))),
    "characters": (
        lambda: pair(("char", 4, 8), ("signed char", 4, 6)),
        lambda: pair(("u8", 4, 7), ("i8", 4, 5)),
    ),
    "class": (pair, lambda: pair(tag=Tag.CLASS_TYPE)),
    "order of enumerators": (lambda: enumeration(0, 1), lambda: enumeration(0, 1)),
    "an enumeration of a truth value": (lambda: of_sign(2), lambda: of_sign(7)),
    "an open array and one of no elements": (lambda: array(0), lambda: array(0xFFFF_FFFF)),
    "a sign that one side does not state": (lambda: of_sign(6), lambda: of_sign(None)),
    "the same, unsigned": (lambda: of_sign(7), lambda: of_sign(None)),
    "a sign of an encoding nobody knows": (lambda: of_sign(6), lambda: of_sign(0x42)),
    "types that bit fields are cut from": (lambda: bit_fields(2), lambda: bit_fields(1)),
    "a structure without a name": (pair, lambda: unnamed(Tag.STRUCTURE_TYPE, ("a", "b"))),
    "a union of one member": (pair, lambda: unnamed(Tag.UNION_TYPE, ("b",))),
    "targets of pointers": (lambda: behind(4), lambda: behind(8)),
}


@pytest.mark.parametrize("name", EQUAL)
def test_what_changes_no_byte_makes_no_difference(name: str) -> None:
    """What types are called, class or struct, and targets that nobody follows."""
    left, right = EQUAL[name]
    assert compared(left(), right())[0]
    assert compared(right(), left())[0]


def test_members_in_another_order_leave_no_padding() -> None:
    """Bytes are padding where no member is, wherever the members of the other side are."""
    same, rows = compared(pair(), pair(names=("b", "a")))
    assert not same
    assert [row.label for row in rows if row.label == PADDING] == []
    byte, number = basic("byte", 1, 8), basic()
    apart = [byte, number, record("r", 8, member("b", number, 4), member("a", byte, 0))]
    _, rows = compared(apart, pair())
    assert [(row.left, row.right) for row in rows if row.label == PADDING] == [(Cell("1", "3"), None)]


def test_targets_are_followed_by_choice_and_only_declared_ones_agree() -> None:
    """A larger target is found when pointers are followed; one that is only declared says nothing."""
    assert not compared(behind(4), behind(8), follow=True)[0]
    declared = Entry(Tag.STRUCTURE_TYPE, {At.NAME: "target", At.DECLARATION: True})
    pointer = Entry(Tag.POINTER_TYPE, {At.TYPE: declared, At.BYTE_SIZE: 4})
    assert compared(behind(4), [declared, pointer, record("r", 4, member("at", pointer))], follow=True)[0]


def test_types_that_refer_to_each_other_are_told_right_in_any_order() -> None:
    """What was found equal under an assumption that failed is not remembered as equal."""

    def circle(size: int) -> list[Entry]:
        number = basic()
        one, two = record("one", 8), record("two", 4)
        to_one = Entry(Tag.POINTER_TYPE, {At.TYPE: one, At.BYTE_SIZE: 4})
        to_two = Entry(Tag.POINTER_TYPE, {At.TYPE: two, At.BYTE_SIZE: 4})
        one.children = [member("next", to_two), member("end", Entry(0, {}), 4)]
        last = basic("last", size)
        one.children = [member("next", to_two), member("end", last, 4)]
        two.children = [member("back", to_one)]
        return [number, last, one, two, to_one, to_two]

    left, right = types_of(*circle(4)), types_of(*circle(2))
    comparison = TypeComparison(left, right, True)
    for name in ("one", "two", "one"):
        assert not comparison.same(left.named(name)[0], right.named(name)[0])
    assert TypeComparison(left, left, True).same(left.named("two")[0], left.named("two")[0])


def test_a_long_picture_leaves_out_what_does_not_matter() -> None:
    """Of 200 members the rows around the first difference are shown, and how many are left out."""

    def long(changed: int) -> list[Entry]:
        number, other = basic(), basic("short", 2, 7)
        kinds = [other if at == changed else number for at in range(200)]
        return [
            number,
            other,
            record("r", 800, *(member(f"m{at}", kind, 4 * at) for at, kind in enumerate(kinds))),
        ]

    _, rows = compared(long(150), long(-1))
    lines = side_by_side(rows, ("station", "sampler"))
    assert len(lines) < 24
    (marked,) = [line for line in lines if line.startswith(">>")]
    assert "m150" in marked
    assert "  ... 146 rows left out" in lines[3]
    assert "rows left out" in lines[-1]
    left_out = sum(int(line.split()[1]) for line in lines if "left out" in line)
    assert left_out + len(lines) - 2 - 2 == len(rows)


def test_long_names_keep_the_member_s_name_and_the_width() -> None:
    """A label that is too long loses its middle, never the end where the member's name stands."""
    number = basic("an_unreasonably_long_name_of_an_unsigned_number", 4)
    other = basic("an_unreasonably_long_name_of_an_unsigned_number", 4, 5)
    parts = [[each, record("r", 4, member("kept", each))] for each in (number, other)]
    _, rows = compared(*parts)
    lines = side_by_side(rows, ("the-station-of-the-quay", "the-sampler-of-the-quay"))
    assert max(map(len, lines)) <= 68
    marked = next(line for line in lines if line.startswith(">>"))
    assert "an_unr" in marked
    assert "kept (unsigned) " in marked


NUMBERS = [480, 999_999, 0xFFFF_FFFF, 0xFFFF_FFFF_FFFF_FFFF, (1 << 128) - 1, 10**90]


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("bits", [False, True])
@pytest.mark.parametrize("depth", [1, 7])
def test_numbers_of_any_length_keep_every_digit_and_the_width(number: int, bits: bool, depth: int) -> None:
    """However long offsets, sizes and enumerators are, no line exceeds 68 columns and no digit is lost."""
    place, size = (f"{number}:7", f"{number} bits") if bits else (str(number), str(number - 1))
    rows = [
        Row(0, "struct link_frame", Cell("", str(number - 2)), Cell("", "4")),
        Row(depth, "struct link_sample samples[480]", Cell("4", "4"), Cell(place, size), True),
        Row(depth, "LINK_LOST", Cell("", f"= {number - 3}"), None, True),
    ]
    names = "the-station-of-the-quay", "the-sampler-of-the-quay"
    lines = side_by_side(rows, names)
    assert max(map(len, lines)) <= 68
    assert [line[:2] for line in lines if line.startswith((">>", " >"))] == [">>", " >"]
    together = "".join(line.strip() for line in lines)
    for text in (str(number - 2), place.removesuffix(":7"), size.split()[0], str(number - 3)):
        assert text in together
    marked = next(line for line in lines if line.startswith(">>"))
    assert re.search(r"st.*480\]", marked)


def test_large_offsets_and_sizes_of_real_types_stay_in_the_table() -> None:
    """Offsets and sizes up to 0xFFFF_FFFF stand beside each other, with the head above their columns."""
    number = basic()
    left = [number, record("r", 0xFFFF_FFFF, member("a", number), member("b", number, 480))]
    right = [number, record("r", 0xFFFF_FFFE, member("a", number), member("b", number, 0xFFFF_FFF0))]
    _, rows = compared(left, right)
    lines = side_by_side(rows, ("station", "sampler"))
    assert max(map(len, lines)) <= 68
    assert {len(line) for line in lines} == {68}
    (moved,) = [line for line in lines if "unsigned b" in line]
    assert moved.split()[-4:] == ["480", "4", "4294967280", "4"]
    assert "size" in lines[1]


def test_an_array_larger_than_any_address_space_is_unreadable() -> None:
    """Bounds whose product has thousands of digits are a fault of the file, told as one."""
    number = basic()
    bounds = [Entry(Tag.SUBRANGE_TYPE, {At.COUNT: 1 << 62}) for _ in range(300)]
    whole = Entry(Tag.ARRAY_TYPE, {At.TYPE: number}, bounds)
    other = Entry(Tag.ARRAY_TYPE, {At.TYPE: number}, bounds[1:])
    left, right = ([number, each, record("r", 64, member("list", each))] for each in (whole, other))
    with pytest.raises(BuildError, match="more than any address space"):
        compared(left, right)


def test_hints_name_types_of_the_project() -> None:
    """A misspelt name is like one of the C library by chance; that one is named only where it is asked for."""
    types = types_of(basic("size_t", 4, 7), basic("tide_t", 4, 7), basic("__tide_t", 4, 7))
    assert types.near_names("tize_t") == ["tide_t"]
    assert types.near_names("ssize_t")[0] == "size_t"


def test_hints_name_types_as_they_are_spelled() -> None:
    """The keyword of a structure is part of how C spells it; other names have none."""
    types = types_of(record("message", 4), basic("reports", 4, 7))
    assert types.near_names("struct mesage") == ["struct message"]
    assert types.near_names("report") == ["reports"]


@pytest.mark.parametrize(
    ("types", "wrong", "near"),
    [
        (
            lambda: types_in("station"),
            "struct link_frane",
            ["struct link_frame", "struct link_node", "struct link_name"],
        ),
        (lambda: types_in("cpp-station"), "link::Frane", ["class link::Frame"]),
        (lambda: types_in("cpp-station"), "link::v2::Iner", ["struct link::v2::Inner"]),
        (lambda: types_in("cpp-station"), "Ring<link::Frame, 3>", ["struct link::Ring<link::Frame, 4>"]),
        *(
            (lambda file=f"sampler-cxx-{family}": in_verdict(file), wrong, ["struct second::Link"])
            for family in ARCHITECTURES
            for wrong in ("second::Linc", "secnd::Link", "Linc", "struct Linq")
        ),
        *(
            (lambda file=f"sampler-rust-{family}": in_verdict(file), wrong, ["struct sampler::Frame"])
            for family in ARCHITECTURES
            for wrong in ("sampler::Frane", "Frane")
        ),
    ],
)
def test_hints_find_names_in_scopes(types: Callable[[], DebugTypes], wrong: str, near: list[str]) -> None:
    """A name is compared with the last part of each that C, C++ and Rust have in namespaces, classes and modules."""
    assert types().near_names(wrong) == near
