"""Whether two types, each of its own build, take the same bytes in the same way."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.builds.dwarf.types import (
    Alias,
    Array,
    Basic,
    Composite,
    Enumeration,
    Member,
    Pointer,
    Reference,
    Type,
)
from gemel.checking.contract.wrappers import (
    UnwrappedType,
    faced,
    named_alike,
    same_values,
    unwrapped,
    without_unnamed,
)
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes

MAX_DEPTH = 100
"""Types inside each other that are followed at most."""


class MemberPair(NamedTuple):
    """The same member on both sides; None where a side has no such member."""

    left: Member | None
    right: Member | None


class Elements(NamedTuple):
    """What an array holds, all its dimensions together."""

    type: Reference
    counts: tuple[int | None, ...]
    stride: int | None


class TypeComparison:
    """Compares types of two builds (or two definitions of one build).

    Two types agree when their sizes are equal, and their encodings, the names, places and sizes of their
    members (to the bit), the bounds of arrays, the names and values of enumerators and their sign where both
    sides state it, and so on in every type inside of them.  An open array agrees with one of no elements.
    What types and base types are called, qualifiers, whether a structure is called class, and the size of the
    type that a bit field is cut from make no difference, nor does a structure without a name around members.
    ``follow_pointers`` holds what pointers point at to the same; a target that
    one side only declares agrees with everything.

    Where a side is not C, wrappers are seen through, a number agrees with an enumeration of its size,
    enumerations of two languages agree by their values, and members by their names in each language's style.
    A number of Rust agrees with the bit fields in its bytes.
    """

    def __init__(self, left: DebugTypes, right: DebugTypes, follow_pointers: bool) -> None:
        """``left`` and ``right`` may be the same file."""
        self.left = left
        self.right = right
        self.follow_pointers = follow_pointers
        self.languages: tuple[str, ...] = ()
        self._known: dict[tuple[Reference | None, Reference | None], bool] = {}
        self._trial: dict[tuple[Reference | None, Reference | None], bool] = {}

    def same(self, left: Reference | None, right: Reference | None) -> bool:
        """Whether the two types agree; DebugUnreadable if they are too deep to compare."""
        self._trial = {}
        if not self.languages:
            self.languages = self._languages(left, right)
        result = self._same(left, right, 0)
        # What was found equal on the way may rest on the assumption that the whole is equal.
        self._known.update((pair, equal) for pair, equal in self._trial.items() if result or not equal)
        return result

    def _same(self, left: Reference | None, right: Reference | None, depth: int) -> bool:
        pair = (left, right)
        known = self._known.get(pair)
        if known is None:
            known = self._trial.get(pair)
        if known is not None:
            return known
        if depth > MAX_DEPTH:
            raise DebugUnreadable(f"a type has more than {MAX_DEPTH} types inside each other", "")
        self._trial[pair] = True
        result = self._trial[pair] = self._same_types(*self.faced(left, right), depth + 1)
        return result

    def _languages(self, left: Reference | None, right: Reference | None) -> tuple[str, ...]:
        sides = (self.left, left), (self.right, right)
        return tuple(types.language_of(at) if at is not None else "" for types, at in sides)

    @property
    def mixed(self) -> bool:
        """Whether wrappers are seen through: one side at least is neither C nor unknown."""
        return any(language not in ("C", "") for language in self.languages)

    def faced(self, left: Reference | None, right: Reference | None) -> tuple[UnwrappedType, UnwrappedType]:
        """The two types that are compared with each other where ``left`` and ``right`` are."""
        one, other = UnwrappedType(*self.left.resolved(left)), UnwrappedType(*self.right.resolved(right))
        if self.mixed and _names(one.type) != _names(other.type):
            other = named_alike(self.left, self.right, one, other)
        if _names(one.type) != _names(other.type):
            one, other = without_unnamed(self.left, one), without_unnamed(self.right, other)
        return faced(self.left, self.right, one, other) if self.mixed else (one, other)

    def _same_types(self, left: UnwrappedType, right: UnwrappedType, depth: int) -> bool:
        (at_left, one), (at_right, other) = left, right
        if isinstance(one, Basic) and isinstance(other, Basic):
            return (one.size, one.encoding, one.big_endian) == (other.size, other.encoding, other.big_endian)
        if isinstance(one, Pointer) and isinstance(other, Pointer):
            return one.size == other.size and (not self.follow_pointers or self._targets(one, other, depth))
        if isinstance(one, Array) and isinstance(other, Array) and at_left is not None:
            mine = elements_of(self.left, at_left, self.mixed)
            theirs = elements_of(self.right, at_right or 0, self.mixed)
            equal = bounds_of(mine) == bounds_of(theirs) and mine.stride == theirs.stride
            return equal and self._same(mine.type, theirs.type, depth)
        if isinstance(one, Enumeration) and isinstance(other, Enumeration):
            alike = one.size == other.size and self._same_enumerators(one, other)
            return alike and (one.signed == other.signed or None in (one.signed, other.signed))
        if isinstance(one, Composite) and isinstance(other, Composite):
            return self._same_records(one, other, depth)
        if self.mixed and {type(one), type(other)} == {Basic, Enumeration}:
            return _integer_size(one) is not None and _integer_size(one) == _integer_size(other)
        if "Rust" in self.languages and {type(one), type(other)} == {Basic, Composite}:
            return _cut_size(one) is not None and _cut_size(one) == _cut_size(other)
        return type(one) is type(other) and not isinstance(one, Alias) and one == other

    def _same_enumerators(self, one: Enumeration, other: Enumeration) -> bool:
        if dict(one.enumerators) == dict(other.enumerators):
            return True
        return len(set(self.languages)) > 1 and same_values(one, other)

    def _targets(self, one: Pointer, other: Pointer, depth: int) -> bool:
        (left, target), (right, other_target) = (
            self.left.definition(one.target),
            self.right.definition(other.target),
        )
        if only_declared(target) or only_declared(other_target):
            return True
        return self._same(left, right, depth)

    def _same_records(self, one: Composite, other: Composite, depth: int) -> bool:
        if (one.kind == "union") != (other.kind == "union") or one.size != other.size:
            return False
        return all(
            self.is_padding(pair, one, other) or self._same_members(pair, depth)
            for pair in paired(one, other)
        )

    def is_padding(self, pair: MemberPair, one: Composite, other: Composite) -> bool:
        """Whether a member that one side alone has makes no difference.

        It fills, by its name, what the other leaves as padding or fills too; or it takes no bytes and C alone has
        it; or it is in a number of Rust, which has no bit fields.
        """
        alone, types, mine, against, theirs = pair.left, self.left, one, other, self.right
        if alone is None:
            alone, types, mine, against, theirs = pair.right, self.right, other, one, self.left
        elif pair.right is not None:
            return False
        if alone is None or alone.case is not None:
            return False
        if self.mixed and _is_open(types.resolved(alone.type)[1]):
            return True
        if "Rust" in self.languages and self._is_cut(alone, types, mine, against, theirs):
            return True
        if against.kind == "union" or not _fills(alone):
            return False
        others = [member for member in against.members if not _fills(member)]
        places = [_bits_of(types, alone), *(_bits_of(theirs, member) for member in others)]
        spans = [place for place in places if place]
        return len(spans) == len(places) and not any(spans[0].overlaps(each) for each in spans[1:])

    def _is_cut(
        self, alone: Member, types: DebugTypes, mine: Composite, against: Composite, theirs: DebugTypes
    ) -> bool:
        """Whether ``alone`` is a bit field in a number or bytes of the other side, or these."""
        place = _bits_of(types, alone)
        if place is None:
            return False
        names = {member.name for member in mine.members}
        places = [(each, _bits_of(theirs, each)) for each in against.members]
        over = [(each, at) for each, at in places if at and at.overlaps(place)]
        if alone.bits is None:
            return bool(over) and all(each.bits for each, _ in over) and _is_number(types, alone)
        if len(over) != 1:
            return False
        whole, at = over[0]
        apart = whole.bits is None and whole.name not in names
        return apart and _is_number(theirs, whole) and at.covers(place)

    def _same_members(self, pair: MemberPair, depth: int) -> bool:
        left, right = pair
        if left is None or right is None:
            return False
        return self.same_place(left, right) and (
            self.same_bits(left, right) or self._same(left.type, right.type, depth)
        )

    def same_place(self, left: Member, right: Member) -> bool:
        """Whether two members are at the same bits, of the same case."""
        bits = left.bits, right.bits
        if None in bits and bits != (None, None):  # a bit field may take the whole of its type
            bits = left.bits or self._width(self.left, left), right.bits or self._width(self.right, right)
        return (left.bit, left.case, bits[0]) == (right.bit, right.case, bits[1])

    def same_bits(self, left: Member, right: Member) -> bool:
        """Whether two members are bit fields of numbers alike, whatever the size of the types they are cut from."""
        one, other = self.left.resolved(left.type)[1], self.right.resolved(right.type)[1]
        return (
            (left.bits or right.bits) is not None
            and isinstance(one, Basic)
            and isinstance(other, Basic)
            and (one.encoding, one.big_endian) == (other.encoding, other.big_endian)
        )

    @staticmethod
    def _width(types: DebugTypes, member: Member) -> int:
        return 8 * (types.size_of(member.type) or 0)


def _names(found: Type) -> list[str]:
    """The names of a record's members, in their order; none of anything else."""
    return [member.name for member in found.members] if isinstance(found, Composite) else []


def _integer_size(found: Type) -> int | None:
    """Bytes of an enumeration or a whole number; None for anything else."""
    if isinstance(found, Enumeration):
        return found.size
    return found.size if isinstance(found, Basic) and found.encoding in ("signed", "unsigned") else None


def _cut_size(found: Type) -> int | None:
    """Bytes of a structure of nothing but bit fields, or of a number without a sign; None for anything else."""
    if isinstance(found, Composite):
        return found.size if found.members and all(member.bits for member in found.members) else None
    return found.size if isinstance(found, Basic) and found.encoding == "unsigned" else None


FILLERS = r"pad|reserved|re?svd?\d*$|unused|spare|dummy|fill|align"
"""What members are called that only fill (common practice)."""


def _fills(member: Member) -> bool:
    return bool(re.search(FILLERS, member.name, re.IGNORECASE))


def _is_open(found: Type) -> bool:
    """Whether a type is an array that takes no bytes in what it ends."""
    return isinstance(found, Array) and not bounds_of(Elements(found.element, found.counts, None))[0]


def _is_number(types: DebugTypes, member: Member) -> bool:
    """Whether a member is a whole number without a sign, or bytes, whatever is wrapped around it."""
    inner = unwrapped(types, UnwrappedType(*types.resolved(member.type))).type
    if isinstance(inner, Array) and types.size_of(inner.element) == 1:
        inner = types.resolved(inner.element)[1]
    return isinstance(inner, Basic) and inner.encoding == "unsigned"


def _bits_of(types: DebugTypes, member: Member) -> Span | None:
    size = member.bits if member.bits is not None else 8 * (types.size_of(member.type) or 0)
    return None if member.bit is None else Span(member.bit, size)


def only_declared(found: Type) -> bool:
    """Whether the build knows no more of a type than its name."""
    return isinstance(found, Composite | Enumeration) and found.declaration


def elements_of(types: DebugTypes, array: Reference, mixed: bool = False) -> Elements:
    """An array whose elements are arrays, perhaps through a typedef or a wrapper, as one of more dimensions.

    Where languages are ``mixed``, what wraps an array in C is seen through too.
    """
    counts: tuple[int | None, ...] = ()
    strides: list[int | None] = []
    for _ in range(MAX_DEPTH):
        _, found = types.resolved(array)
        wrapped = isinstance(found, Composite) and (mixed or types.language_of(array) not in ("C", ""))
        inner = unwrapped(types, UnwrappedType(array, found)).type if wrapped else found
        if not isinstance(inner, Array):
            break
        found = inner
        counts += found.counts
        strides.append(found.stride)
        array = found.element
    return Elements(array, counts, strides[-1] if strides else None)


def bounds_of(elements: Elements) -> tuple[int | None, ...]:
    """The counts; of ``d[]``, which takes no bytes in what it ends, the same as of ``d[0]``."""
    first, *others = elements.counts or (None,)
    return first or 0, *others


def paired(left: Composite, right: Composite) -> Iterator[MemberPair]:
    """The members of both by name and, of equal names (such as none), by their order.

    In the order of ``left``; a member that only ``right`` has comes before the next one that both have.
    """
    if [(each.name, each.case) for each in left.members] == [
        (each.name, each.case) for each in right.members
    ]:
        yield from map(MemberPair, left.members, right.members)
        return
    theirs = dict(_keyed(right))
    mine = dict(_keyed(left))
    only_right: dict[tuple[str, str | None, int] | None, list[Member]] = {}
    before: tuple[str, str | None, int] | None = None
    for key, member in theirs.items():
        if key in mine:
            before = key
        else:
            only_right.setdefault(before, []).append(member)
    waiting = only_right.get(None, [])
    for key, member in mine.items():
        if key in theirs:
            yield from (MemberPair(None, each) for each in waiting)
            waiting = only_right.get(key, [])
        yield MemberPair(member, theirs.get(key))
    yield from (MemberPair(None, each) for each in waiting)


def _keyed(record: Composite) -> Iterator[tuple[tuple[str, str | None, int], Member]]:
    """Each member with its name, its case, and how many of that name came before it."""
    seen: dict[tuple[str, str | None], int] = {}
    for member in record.members:
        name = member.name, member.case
        seen[name] = seen.get(name, -1) + 1
        yield (*name, seen[name]), member
