"""Two layouts of one type as the rows of one table: each member once, with its place on either side."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.dwarf.types import Array, Basic, Composite, Enumeration, Member, Pointer, Reference, Type
from gemel.checking.contract.comparison import MemberPair, TypeComparison, elements_of, paired
from gemel.checking.contract.wrappers import UnwrappedType, named_in_style
from gemel.structs import NamedTuple, Struct, replace

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes

MAX_LEVELS = 6
"""Levels of types inside each other that are shown."""

MAX_ROWS = 20_000
"""Members that rows are made for, at most."""

PADDING = "(padding)"


class Cell(NamedTuple):
    """What stands in a row for one side: the place (bytes, or ``4:3`` for byte 4, bit 3) and the size."""

    place: str
    size: str


class Row(Struct):
    """One row: how deep, what it declares, the cells (None: no such thing there), whether they differ.

    Where ``goes_on``, the next row is the same on the other side.
    """

    depth: int
    label: str
    left: Cell | None
    right: Cell | None
    differs: bool = False
    goes_on: bool = False


class TypeSide(NamedTuple):
    """A type of one build that starts at a bit of the whole."""

    types: DebugTypes
    reference: Reference | None
    start: int


def rows_of(comparison: TypeComparison, left: Reference, right: Reference, label: str) -> list[Row]:
    """The rows of two types, of which one at least differs if the types do; the first is their head."""
    made = _Rows(comparison)
    one, other = TypeSide(comparison.left, left, 0), TypeSide(comparison.right, right, 0)
    made.seen(one, other)
    head = Row(0, label, Cell("", _size(one)), Cell("", _size(other)))
    rows = [head, *made.inside(one, other, 1)]
    if not any(row.differs for row in rows) and not comparison.same(left, right):
        rows[0] = replace(head, differs=True)
        labels = [side.types.declared(side.reference, "") for side in (one, other)]
        if head.left == head.right and labels[0] == labels[1]:
            labels = [_kind(side, label) for side, label in zip((one, other), labels, strict=True)]
        if labels[0] != labels[1] or head.left == head.right:  # another type, equal in every number or not
            rows[:1] = [
                Row(0, labels[0], head.left, None, True, True),
                Row(0, labels[1], None, head.right, True),
            ]
    return rows


class _Rows:
    """Makes rows; counts them, since types come from a file that somebody else made."""

    def __init__(self, comparison: TypeComparison) -> None:
        self._comparison = comparison
        self._left = MAX_ROWS
        self._seen: set[tuple[Reference | None, Reference | None]] = set()

    def seen(self, one: TypeSide, other: TypeSide) -> bool:
        """Whether these two types have been shown before; from now on they have."""
        (one, _), (other, _) = self._opened(one, other)
        pair = one.reference, other.reference
        known = pair in self._seen
        self._seen.add(pair)
        return known

    def inside(self, one: TypeSide, other: TypeSide, depth: int) -> Iterator[Row]:
        """What is in two types, if they are of a kind that has something in it."""
        (one, left), (other, right) = self._opened(one, other)
        if depth > MAX_LEVELS:
            return
        if isinstance(left, Composite) and isinstance(right, Composite):
            yield from self._members(one, other, left, right, depth)
        elif isinstance(left, Enumeration) and isinstance(right, Enumeration):
            if dict(left.enumerators) == dict(right.enumerators):
                return
            if len(set(self._comparison.languages)) > 1:
                right = named_in_style(left, right)
            yield from _enumerators(left, right, depth)

    def _members(
        self, one: TypeSide, other: TypeSide, left: Composite, right: Composite, depth: int
    ) -> Iterator[Row]:
        paddings = Padding(one, left), Padding(other, right)
        for pair in paired(left, right):
            self._left -= 1
            if self._left < 0:
                return
            yield from _padding_row(paddings[0].before(pair.left), paddings[1].before(pair.right), depth)
            if self._comparison.is_padding(pair, left, right):
                yield replace(next(self._member(one, other, pair, depth)), differs=False)
            else:
                yield from self._member(one, other, pair, depth)
        yield from _padding_row(paddings[0].after(), paddings[1].after(), depth)

    def _member(self, one: TypeSide, other: TypeSide, pair: MemberPair, depth: int) -> Iterator[Row]:
        mine, theirs = pair
        if mine is None or theirs is None:
            yield self._alone(one if mine else other, mine or theirs, mine is not None, depth)
            return
        at_left, at_right = _moved(one, mine), _moved(other, theirs)
        compared = self._comparison
        equal_types = compared.same_bits(mine, theirs) or compared.same(mine.type, theirs.type)
        differs = not compared.same_place(mine, theirs) or not equal_types
        cells, labels = (
            (_cell(at_left, mine), _cell(at_right, theirs)),
            (_label(one, mine), _label(other, theirs)),
        )
        inner: list[Row] | None = [] if equal_types else self._into(at_left, at_right, depth + 1)
        if differs and inner is None and cells[0] == cells[1]:  # it points at what is shown elsewhere
            yield Row(depth, labels[0], *cells)
            return
        below = any(row.differs for row in inner or ())
        other_kind = not equal_types and not below
        if other_kind and labels[0] == labels[1] and cells[0] == cells[1]:
            labels = _kind(at_left, labels[0]), _kind(at_right, labels[1])
        if other_kind and labels[0] != labels[1]:
            yield Row(depth, labels[0], cells[0], None, True, True)
            yield Row(depth, labels[1], None, cells[1], True)
        else:
            yield Row(depth, labels[0], *cells, differs and (cells[0] != cells[1] or not below))
        yield from inner or ()

    def _into(self, one: TypeSide, other: TypeSide, depth: int) -> list[Row] | None:
        """What is in two types that differ, through arrays and, by choice, pointers; None if shown before."""
        left, right = one.types.resolved(one.reference)[1], other.types.resolved(other.reference)[1]
        if not (isinstance(left, Pointer) and isinstance(right, Pointer)):
            return list(self.inside(one, other, depth))
        targets = _target(one, left), _target(other, right)
        if not self._comparison.follow_pointers or left.size != right.size:
            return []
        if self.seen(*targets):
            return None
        name = targets[0].types.declared(targets[0].reference, "")
        cells = Cell("", _size(targets[0])), Cell("", _size(targets[1]))
        inside = list(self.inside(*targets, depth + 1))
        own = not any(row.differs for row in inside)
        return [Row(depth, f"its target, {name}", *cells, own), *inside]

    def _opened(self, one: TypeSide, other: TypeSide) -> tuple[tuple[TypeSide, Type], tuple[TypeSide, Type]]:
        """The types as they are compared, or of arrays their first elements."""
        left, right = self._comparison.faced(one.reference, other.reference)
        if isinstance(left.type, Array) or isinstance(right.type, Array):
            mixed = self._comparison.mixed
            firsts = _first(one.types, left, mixed), _first(other.types, right, mixed)
            left, right = self._comparison.faced(*firsts)
        return (one._replace(reference=left.reference), left.type), (
            other._replace(reference=right.reference),
            right.type,
        )

    def _alone(self, side: TypeSide, member: Member | None, on_left: bool, depth: int) -> Row:
        cell = _cell(_moved(side, member), member) if member else None
        label = _label(side, member) if member else ""
        return Row(depth, label, cell if on_left else None, None if on_left else cell, True)


class Padding:
    """Finds the bytes of a record that no member takes."""

    def __init__(self, side: TypeSide, record: Composite) -> None:
        """Unions have none, nor have records with members whose place is computed at run time."""
        self._start = side.start
        self._size = record.size
        self._end = 0
        self._gaps: dict[int, int] = {}
        places = [
            (member.bit, _bits(side.types, member)) for member in record.members if member.bit is not None
        ]
        self._active = (
            record.kind != "union"
            and len(places) == len(record.members)
            and not any(member.case is not None for member in record.members)
        )
        for bit, bits in sorted(places):
            self._gaps.setdefault(bit, self._end)
            self._end = max(self._end, bit + bits)

    def before(self, member: Member | None) -> Cell | None:
        """The unused bytes in front of ``member``, wherever it is declared."""
        if not self._active or member is None or member.bit is None:
            return None
        return self._between(self._gaps.pop(member.bit, member.bit), member.bit)

    def after(self) -> Cell | None:
        """The unused bytes after the last member."""
        return self._between(self._end, 8 * self._size) if self._active and self._size and self._end else None

    def _between(self, start: int, end: int) -> Cell | None:
        first, last = -(-start // 8), end // 8
        return Cell(str(self._start // 8 + first), str(last - first)) if last > first else None


def _bits(types: DebugTypes, member: Member) -> int:
    return member.bits if member.bits is not None else 8 * (types.size_of(member.type) or 0)


def _padding_row(left: Cell | None, right: Cell | None, depth: int) -> Iterator[Row]:
    if left or right:
        yield Row(depth, PADDING, left, right)


def _enumerators(left: Enumeration, right: Enumeration, depth: int) -> Iterator[Row]:
    mine, theirs = dict(left.enumerators), dict(right.enumerators)
    for name in dict.fromkeys([*mine, *theirs]):
        cells = [Cell("", f"= {side[name]}") if name in side else None for side in (mine, theirs)]
        yield Row(depth, name, cells[0], cells[1], cells[0] != cells[1])


def _opened(side: TypeSide) -> tuple[TypeSide, Type]:
    """The type itself, or of an array its first element."""
    reference, found = side.types.resolved(side.reference)
    if isinstance(found, Array) and reference is not None:
        reference, found = side.types.resolved(elements_of(side.types, reference).type)
    return side._replace(reference=reference), found


def _first(types: DebugTypes, found: UnwrappedType, mixed: bool) -> Reference | None:
    """The elements of an array; any other type itself."""
    if isinstance(found.type, Array) and found.reference is not None:
        return elements_of(types, found.reference, mixed).type
    return found.reference


def _target(side: TypeSide, pointer: Pointer) -> TypeSide:
    return TypeSide(side.types, side.types.definition(pointer.target)[0], 0)


def _moved(side: TypeSide, member: Member) -> TypeSide:
    return TypeSide(side.types, member.type, side.start + (member.bit or 0))


def _cell(side: TypeSide, member: Member) -> Cell:
    if member.bit is None:
        return Cell("?", _size(side))
    byte, bit = divmod(side.start, 8)
    if member.bits is None:
        return Cell(str(byte), _size(side))
    return Cell(f"{byte}:{bit}", f"{member.bits} bit{'' if member.bits == 1 else 's'}")


def _size(side: TypeSide) -> str:
    size = side.types.size_of(side.reference)
    return "?" if size is None else str(size)


def _label(side: TypeSide, member: Member) -> str:
    declared = side.types.declared(member.type, member.name)
    _, found = side.types.resolved(member.type)
    if isinstance(found, Composite) and not member.name:
        declared = f"{found.kind} {found.name or '(unnamed)'}"
    return f"{declared} [case {member.case}]" if member.case is not None else declared


def _kind(side: TypeSide, label: str) -> str:
    """A label with what it does not show: how the numbers are to be read."""
    _, found = _opened(side)
    if isinstance(found, Enumeration) and found.signed is not None:
        return f"{label} ({'signed' if found.signed else 'unsigned'})"
    if not isinstance(found, Basic):
        return label
    return f"{label} ({'big-endian ' if found.big_endian else ''}{found.encoding})"
