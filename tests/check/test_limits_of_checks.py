"""Limits of what is compared and shown by checks, each at both its sides."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from both_sides import Limits, assert_both_sides
from dwarf_writer import Entry, basic, debug_elf, member, record, types_of
from small_device import builds, joined, layout

from gemel.builds.dwarf.constants import At, Form, Tag
from gemel.builds.dwarf.debug_types import DebugTypes
from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.builds.dwarf.types import Composite
from gemel.checking.contract.access import _qualifiers
from gemel.checking.contract.comparison import TypeComparison, elements_of
from gemel.checking.contract.rows import rows_of
from gemel.checking.contract.wrappers import UnwrappedType, _is_nothing, unwrapped
from gemel.checking.runner import MAX_INSTRUCTION, with_source
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding
from gemel.spans import Span

CPP = {At.LANGUAGE: (Form.DATA1, 0x21)}


def _volatile_seen(count: int) -> bool:
    """Whether the last of ``count`` types on top of each other is seen to be volatile."""
    entries = [Entry(Tag.VOLATILE_TYPE)]
    for number in range(count - 1):
        entries.append(Entry(Tag.TYPEDEF, {At.NAME: f"name{number}", At.TYPE: entries[-1]}))
    types = types_of(debug_elf(*entries))
    return _qualifiers(types, types.named(f"name{count - 2}")[0])[0]


def _inside(count: int) -> bool:
    """Whether a record is compared with ``count`` others inside each other in it."""
    entries = [record("r0", 4)]
    for number in range(1, count + 1):
        entries.append(record(f"r{number}", 4, member("inside", entries[-1])))
    left, right = types_of(debug_elf(*entries)), types_of(debug_elf(*entries))
    name = f"struct r{count}"
    try:
        return TypeComparison(left, right, False).same(left.named(name)[0], right.named(name)[0])
    except DebugUnreadable:
        return False


def _dimensions(count: int) -> bool:
    """Whether arrays of arrays have all their dimensions."""
    entries = [basic()]
    for _ in range(count):
        bounds = Entry(Tag.SUBRANGE_TYPE, {At.COUNT: 2})
        entries.append(Entry(Tag.ARRAY_TYPE, {At.TYPE: entries[-1]}, [bounds]))
    types = types_of(debug_elf(*entries, Entry(Tag.TYPEDEF, {At.NAME: "whole", At.TYPE: entries[-1]})))
    return len(elements_of(types, types.named("whole")[0]).counts) == count


def _rows(count: int) -> bool:
    """Whether each member of a record has a row."""

    def side(size: int) -> DebugTypes:
        of = basic("unsigned", size)
        return types_of(
            debug_elf(of, record("r", 64, *(member(f"m{number}", of, 4 * number) for number in range(count))))
        )

    left, right = side(4), side(2)
    rows = rows_of(
        TypeComparison(left, right, False), left.named("struct r")[0], right.named("struct r")[0], "r"
    )
    return any(f"m{count - 1}" in row.label for row in rows)


def _unwrapped(count: int) -> bool:
    """Whether ``count`` wrappers inside each other are seen through."""
    entries = [basic()]
    for number in range(count):
        entries.append(record(f"w{number}", 4, member("inside", entries[-1])))
    types = types_of(debug_elf(*entries))
    reference = types.named(f"struct w{count - 1}")[0]
    return unwrapped(types, UnwrappedType(*types.resolved(reference))).type == types.type_at(
        types.named("unsigned")[0]
    )


def _base(of: Entry) -> Entry:
    return Entry(Tag.INHERITANCE, {At.TYPE: of, At.DATA_MEMBER_LOCATION: 0})


def _bases(count: int) -> bool:
    """Whether a class has the member of the first of ``count`` base classes of each other."""
    of = basic()
    members = [member(f"level{number}", of, 4 * number) for number in range(count + 1)]
    entries = [record("b0", 4, members[0])]
    for number in range(1, count + 1):
        entries.append(record(f"b{number}", 4 * number + 4, _base(entries[-1]), members[number]))
    left = types_of(debug_elf(of, *entries, top=CPP))
    right = types_of(debug_elf(of, record(f"b{count}", 4 * count + 4, *members)))
    references = left.named(f"struct b{count}")[0], right.named(f"struct b{count}")[0]
    return TypeComparison(left, right, False).same(*references)


def _empty_bases(count: int) -> bool:
    """Whether a class is seen to be empty by ``count`` base classes of each other, the first of which is."""
    of = basic()
    entries = [record("b0", 0)]
    for number in range(1, count + 1):
        entries.append(record(f"b{number}", 1, _base(entries[-1])))
    top = record("top", 4, _base(entries[-1]), member("level", of))
    types = types_of(debug_elf(of, *entries, top, top=CPP))
    _, found = types.resolved(types.named("struct top")[0])
    return isinstance(found, Composite) and _is_nothing(types, found.members[0])


def _unnamed(count: int) -> bool:
    """Whether ``count`` members of a structure without a name count as those of the record around it."""
    of = basic()
    members = [member(f"m{number}", of, 4 * number) for number in range(count)]
    inside = record("", 4 * count, *members)
    left = types_of(debug_elf(of, inside, record("r", 4 * count, member("", inside))))
    right = types_of(debug_elf(of, record("r", 4 * count, *members)))
    return TypeComparison(left, right, False).same(left.named("struct r")[0], right.named("struct r")[0])


LIMITS: Limits = {
    "checking.contract.access.MAX_TYPES": (4, _volatile_seen),
    "checking.contract.comparison.MAX_DEPTH": (3, _inside),
    "checking.contract.comparison.MAX_DEPTH of arrays": (3, _dimensions),
    "checking.contract.rows.MAX_ROWS": (4, _rows),
    "checking.contract.wrappers.MAX_WRAPPERS": (3, _unwrapped),
    "checking.contract.wrappers.MAX_BASES": (3, _bases),
    "checking.contract.wrappers.MAX_MEMBERS": (3, _unnamed),
    "checking.contract.wrappers.MAX_BASES of empty classes": (3, _empty_bases),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is compared and shown, and one more is not."""
    assert_both_sides(monkeypatch, LIMITS, name)


def test_a_class_that_inherits_itself_ends() -> None:
    """A class that is its own base, twice at each level, is compared in bounded time (no compiler writes one)."""
    sides = []
    for language in (0x21, 0x1D):
        inner = record("inner", 8, member("level", of := basic(), 4))
        inner.children = [_base(inner), _base(inner), *(inner.children or ())]
        sides.append(types_of(debug_elf(of, inner, top={At.LANGUAGE: (Form.DATA1, language)})))
    left, right = sides
    assert TypeComparison(left, right, True).same(
        left.named("struct inner")[0], right.named("struct inner")[0]
    )


@pytest.mark.parametrize(("size", "known"), [(MAX_INSTRUCTION, True), (MAX_INSTRUCTION + 1, False)])
def test_the_longest_instruction(size: int, known: bool) -> None:
    """A finding about one instruction has its source line, one about more bytes has none."""
    inspection = Inspection(layout(), joined().image, builds())
    piece = inspection.placements["station"].pieces[0]
    build = SimpleNamespace(debug=SimpleNamespace(line_at=lambda _: "main.c:7"))
    placements = {"station": SimpleNamespace(build=build, pieces=[piece])}
    finding = Finding(what="", where="build station", span=Span(piece.span.start, size), parties=("station",))
    placed: Any = SimpleNamespace(placements=placements)
    found = with_source(finding, placed)
    assert (found.source, found.where) == (
        ("main.c:7", "build station, main.c:7") if known else ("", "build station")
    )
