"""Seeing through what languages wrap around the same bytes, so that types of two languages can be compared.

Rust wraps what is shared in ``AtomicU32``, ``UnsafeCell``, ``MaybeUninit`` and types of its own; C++ in
``std::atomic``, ``std::array`` and classes with bases that have no members.  Each of these is a record with one
member that matters, at its start and of its size.
"""

from __future__ import annotations

import operator
import re
from typing import TYPE_CHECKING

from gemel.builds.dwarf.types import Basic, Composite, Enumeration, Member, Pointer, Reference, Type
from gemel.structs import NamedTuple, replace

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes

MAX_WRAPPERS = 32
"""Wrappers inside each other that are seen through at most."""

MAX_BASES = 32
"""Base classes of one class that are looked at, each as often as it is inherited."""

MAX_MEMBERS = 10_000
"""Members of one record with those of what has no name in it."""

BASE = "(base)"
"""The name of a member that is a base class."""

_BY_PLACE = r"__\d+$"
"""The name of a member of a Rust tuple."""


_WORD = r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|[0-9]+"


_FLAG = r"AtomicBool$|atomic_flag$"
"""Flags of a library, which holds them as a byte or as a truth value, as it likes."""


class UnwrappedType(NamedTuple):
    """A type without names and qualifiers, and its reference."""

    reference: Reference | None
    type: Type


def faced(
    left: DebugTypes, right: DebugTypes, one: UnwrappedType, other: UnwrappedType
) -> tuple[UnwrappedType, UnwrappedType]:
    """The two types to compare with each other, wrappers and parts that take no bytes left out of both.

    Records that have a member's name in common are compared as they are, with the members of base classes,
    unless one alone has a single member: what a wrapper calls its content may be a name of the content too.
    """
    one, other = _without_nothing(left, one), _without_nothing(right, other)
    one, other = _with_inherited(left, one, other, []), _with_inherited(right, other, one, [])
    if not (
        isinstance(one.type, Composite) and isinstance(other.type, Composite) and _akin(one.type, other.type)
    ):
        flags = _is_flag(one.type), _is_flag(other.type)
        one, other = unwrapped(left, one), unwrapped(right, other)
        if flags[0] != flags[1] and _is_byte(one.type) and _is_byte(other.type):
            one, other = (other, other) if flags[0] else (one, one)
    if isinstance(one.type, Composite) and isinstance(other.type, Composite):
        return one, other._replace(type=_named_as(other.type, one.type))
    return one, other


def named_alike(
    left: DebugTypes, right: DebugTypes, one: UnwrappedType, other: UnwrappedType
) -> UnwrappedType:
    """``other`` with the names that ``one`` has for the same members in the style of its language.

    ``frame_count`` is ``frameCount`` and ``m_frame_count``, ``type_`` is ``type``.  What has no name in C has one in
    Rust: a structure or union is known by its place there.
    """
    record, model = other.type, one.type
    if not isinstance(record, Composite) or not isinstance(model, Composite):
        return other
    known = {member.name for member in record.members}
    free = [member for member in model.members if member.name not in known - {""}]
    taken = {member.name for member in model.members} - {""}
    by_words = {tuple(_words(member.name)): member for member in free if member.name}
    members: list[Member] = []
    for member in record.members:
        found = None
        if member.name and member.name not in taken:
            found = by_words.get(tuple(_words(member.name))) or next(
                (each for each in free if not each.name and _same_part(left, right, each, member)), None
            )
        elif not member.name:
            found = next((each for each in free if each.name and _same_part(left, right, each, member)), None)
        members.append(member if found is None else replace(member, name=found.name))
    return other._replace(type=replace(record, members=tuple(members)))


def _same_part(left: DebugTypes, right: DebugTypes, one: Member, other: Member) -> bool:
    """Whether two members are records of one kind and size at the same place."""
    mine, theirs = left.resolved(one.type)[1], right.resolved(other.type)[1]
    if one.bit != other.bit or not (isinstance(mine, Composite) and isinstance(theirs, Composite)):
        return False
    return mine.size == theirs.size and (mine.kind == "union") == (theirs.kind == "union")


def _is_flag(found: Type) -> bool:
    return isinstance(found, Composite) and bool(re.match(_FLAG, found.name))


def _is_byte(found: Type) -> bool:
    return isinstance(found, Basic) and found.size == 1 and found.encoding in ("boolean", "unsigned")


def without_unnamed(types: DebugTypes, found: UnwrappedType) -> UnwrappedType:
    """A record with the members of structures without a name, and of unions of one member, in their place.

    In C these are members of the record itself (ISO/IEC 9899:2011, 6.7.2.1, paragraph 13; from memory).
    """
    record = found.type
    if not isinstance(record, Composite):
        return found
    for _ in range(MAX_WRAPPERS):
        members = [inner for member in record.members for inner in _lifted(types, member)]
        if len(members) > MAX_MEMBERS or all(map(operator.is_, members, record.members)):
            break
        record = replace(record, members=tuple(members))
    return found._replace(type=record)


def _lifted(types: DebugTypes, member: Member) -> tuple[Member, ...]:
    """The members of an unnamed member, or the member itself where it has a name or is a choice."""
    inner = None if member.name or member.case is not None else types.resolved(member.type)[1]
    if not isinstance(inner, Composite) or member.bit is None or not inner.members:
        return (member,)
    if inner.kind == "union" and len(inner.members) > 1:
        return (member,)
    return tuple(
        replace(each, bit=None if each.bit is None else each.bit + member.bit) for each in inner.members
    )


def unwrapped(types: DebugTypes, found: UnwrappedType) -> UnwrappedType:
    """What is inside of all wrappers; the type itself if it is none."""
    for _ in range(MAX_WRAPPERS):
        inner = _wrapped(types, found.type)
        if inner is None:
            break
        found = _without_nothing(types, UnwrappedType(*types.resolved(inner.type)))
    return found


def _wrapped(types: DebugTypes, found: Type) -> Member | None:
    """The one member that a wrapper holds; None if it is no wrapper."""
    if not isinstance(found, Composite) or found.declaration:
        return None
    if some := _nullable(types, found):
        return some
    members = [member for member in found.members if not _is_nothing(types, member)]
    if len(members) != 1:
        return None
    (member,) = members
    whole = member.bit == 0 and member.bits is None and member.case is None
    return member if whole and types.size_of(member.type) == found.size else None


def _nullable(types: DebugTypes, found: Composite) -> Member | None:
    """What an ``Option`` of Rust holds whose None is the value 0 of it, as of pointers and numbers that are never 0.

    Its layout is what it holds (documentation of ``core::option``, Representation).
    """
    if [member.case for member in found.members] != [None, "0", "others"]:
        return None
    _, none, some = found.members
    _, nothing = types.resolved(none.type)
    whole = some.bit == 0 and types.size_of(some.type) == found.size
    empty = isinstance(nothing, Composite) and not nothing.members
    return replace(some, case=None) if whole and empty else None


def _without_nothing(types: DebugTypes, found: UnwrappedType) -> UnwrappedType:
    """A record without the members that take no bytes."""
    if not isinstance(found.type, Composite):
        return found
    members = tuple(member for member in found.type.members if not _is_nothing(types, member))
    if len(members) == len(found.type.members):
        return found
    return found._replace(type=replace(found.type, members=members))


def _with_inherited(
    types: DebugTypes, found: UnwrappedType, other: UnwrappedType, seen: list[Member]
) -> UnwrappedType:
    """A record with the members of its base classes, or a base class by the name of the other's member there."""
    record = found.type
    if not isinstance(record, Composite):
        return found
    if not any(member.name == BASE for member in record.members):
        return found
    theirs = other.type.members if isinstance(other.type, Composite) else ()
    members: list[Member] = []
    for member in record.members:
        inner = None
        if member.name == BASE and member.bit is not None and len(seen) < MAX_BASES:
            seen.append(member)
            base = _without_nothing(types, UnwrappedType(*types.resolved(member.type)))
            inner = _with_inherited(types, base, other, seen).type
        if not isinstance(inner, Composite) or member.bit is None:
            members.append(member)
            continue
        names = {each.name for each in inner.members}
        names |= {each.name for each in record.members}
        name = next((each.name for each in theirs if each.bit == member.bit and each.name not in names), BASE)
        if name != BASE:
            members.append(replace(member, name=name))
        else:
            members += [
                replace(each, bit=None if each.bit is None else each.bit + member.bit)
                for each in inner.members
            ]
    return found._replace(type=replace(record, members=tuple(members)))


def _is_nothing(types: DebugTypes, member: Member, seen: list[Member] | None = None) -> bool:
    """Whether a member takes no bytes: an empty base, ``()``, a marker of the compiler; not an open array."""
    _, inner = types.resolved(member.type)
    if isinstance(inner, Basic):
        return inner.size == 0
    if not isinstance(inner, Composite) or inner.declaration:
        return False
    if inner.size == 0:
        return True
    seen = [] if seen is None else seen
    if member.name != BASE or len(seen) == MAX_BASES:
        return False
    seen.append(member)
    return all(_is_nothing(types, each, seen) for each in inner.members)


def _akin(one: Composite, other: Composite) -> bool:
    if (len(one.members) == 1) != (len(other.members) == 1):
        return False
    names = {member.name for member in one.members if member.name != BASE}
    return any(member.name in names for member in other.members)


def _named_as(record: Composite, model: Composite) -> Composite:
    """``record`` with the names of ``model`` where one of the two has members by their place only."""
    by_place = [
        each.members and all(re.match(_BY_PLACE, m.name) for m in each.members) for each in (record, model)
    ]
    if not any(by_place) or len(record.members) != len(model.members):
        return record
    pairs = zip(record.members, model.members, strict=True)
    return replace(record, members=tuple(replace(mine, name=theirs.name) for mine, theirs in pairs))


def same_values(one: Enumeration, other: Enumeration) -> bool:
    """Whether two enumerations of different languages have the same values, and names that fit them.

    Names follow each language's style: ``QUALITY_GOOD`` is ``Good``.
    """
    if {value for _, value in one.enumerators} != {value for _, value in other.enumerators}:
        return False
    mine, spelled = dict(one.enumerators), _spelled(one)
    for name, value in other.enumerators:
        alike = {mine[each] for each in _fitting(name, spelled)}
        if alike and value not in alike:
            return False
    return True


def named_in_style(one: Enumeration, other: Enumeration) -> Enumeration:
    """``other`` with the names of ``one`` where its names fit these, each of them once, those of one value first."""
    mine, spelled = dict(one.enumerators), _spelled(one)
    named: dict[str, int] = {}
    for name, value in other.enumerators:
        fitting = [each for each in _fitting(name, spelled) if each not in named]
        same = (each for each in fitting if mine[each] == value)
        named[next(same, fitting[0] if fitting else name)] = value
    return replace(other, enumerators=tuple(named.items()))


def _spelled(model: Enumeration) -> list[tuple[str, list[str]]]:
    return [(name, _words(name)) for name, _ in model.enumerators]


def _fitting(name: str, spelled: list[tuple[str, list[str]]]) -> list[str]:
    """The names that a name fits, each in the style of its language."""
    words = _words(name)
    return [each for each, mine in spelled if mine[-len(words) :] == words or words[-len(mine) :] == mine]


def _words(name: str) -> list[str]:
    return [word.lower() for word in re.findall(_WORD, name.removeprefix("m_"))]


def unshareable(types: DebugTypes, reference: Reference) -> str:
    """Why no other core can read this one type, if so: Rust alone knows what its bytes mean."""
    at, found = types.resolved(reference)
    inner = unwrapped(types, UnwrappedType(at, found)).type
    cases = isinstance(found, Composite) and any(member.case is not None for member in found.members)
    if isinstance(found, Composite) and cases and not isinstance(inner, Pointer | Basic):
        return f"{found.name} is a tagged union of Rust, whose layout is the compiler's choice"
    if isinstance(found, Pointer | Composite) and found.name.startswith("&"):
        return f"{found.name} is a reference of Rust, which only its own core may hold"
    return ""
