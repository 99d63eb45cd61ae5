"""How a build accesses what it shares, as its types say: volatile, atomic, or neither."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from gemel.builds.dwarf.types import Alias, Array, Composite, Reference
from gemel.errors import BuildError
from gemel.inspection.contract.parties import DefinedSymbol, Missing, debug_types, parties
from gemel.inspection.contract.shared_objects import shared_areas, shared_objects
from gemel.inspection.inspection import Inspection
from gemel.outcomes import NotChecked, Outcome
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes

MAX_TYPES = 4096
"""Types inside of one object that are looked at."""

_ATOMIC = r"^(Atomic([IU](8|16|32|64|size)|Bool|Ptr<.*)|atomic(<.*|_\w+)|__atomic_base(<.*)?)$"
"""Names of atomic types in the standard libraries of Rust and C++, which compilers can leave the ``<...>`` out of."""

_VALUE = "_M_i"
"""The member that std::atomic of a structure holds its value in (libstdc++, GCC 12)."""


class DeclaredAccess(NamedTuple):
    """How one build's type of an object says that it is accessed.

    ``members`` are those of a structure whose own type is plain, each with whether it is volatile or atomic.
    """

    of: DefinedSymbol
    area: str
    volatile: bool
    atomic: bool
    language: str
    members: tuple[tuple[str, bool], ...] = ()

    @property
    def guarded(self) -> bool:
        """Whether the compiler is kept from leaving accesses out or moving them; Rust says so at each access."""
        return self.volatile or self.atomic or self.language == "Rust"

    @property
    def words(self) -> str:
        """``volatile``, ``atomic``, ``plain``."""
        return "atomic" if self.atomic else "volatile" if self.volatile else "plain"


def of_shared_objects(
    of: Callable[[DeclaredAccess, DeclaredAccess], Iterator[Outcome]],
) -> Callable[[Inspection], Iterator[Outcome]]:
    """A rule's check, made of what it says of an object that builds of two cores share by name, as both access it."""

    def check(inspection: Inspection) -> Iterator[Outcome]:
        if len(inspection.layout.builds) < 2 or not shared_areas(inspection.layout):
            return
        for each in _shared_accesses(inspection):
            if isinstance(each, NotChecked):
                yield each
            else:
                yield from of(*each)

    return check


def _shared_accesses(inspection: Inspection) -> Iterator[tuple[DeclaredAccess, DeclaredAccess] | NotChecked]:
    """Each such object; builds that do not show it."""
    first_of: dict[str, DeclaredAccess] = {}
    for plan in parties(inspection.layout):
        build = inspection.builds.get(plan.name)
        objects = shared_objects(inspection.layout, plan, build) if build else {}
        if build is None or not objects:
            continue
        types = debug_types(inspection, plan)
        if isinstance(types, Missing):
            yield NotChecked(f"build {plan.name}", types.reason)
            continue
        for name, shared in objects.items():
            try:
                references = types.variables(name)
            except BuildError as error:
                yield NotChecked(f"{name} in build {plan.name}", error.problems[0].found)
                continue
            if not references:
                if types.elsewhere:
                    yield NotChecked(f"{name} in build {plan.name}", types.elsewhere)
                continue
            volatile, atomic = _qualifiers(types, references[0])
            members = tuple(_members(types, references[0]))
            access = DeclaredAccess(
                shared.of, shared.area, volatile, atomic, types.language_of(references[0]), members
            )
            first = first_of.setdefault(name, access)
            if first.of.plan.core != plan.core:
                yield first, access


def of_one_side(first: DeclaredAccess, other: DeclaredAccess) -> str:
    """A member that only one of two structures with the same member has volatile or atomic; empty if none."""
    theirs = dict(other.members)
    return next((name for name, guarded in first.members if theirs.get(name, guarded) != guarded), "")


def _members(types: DebugTypes, reference: Reference) -> Iterator[tuple[str, bool]]:
    """The members of a structure, each with whether anything in it is guarded; none if all of it is."""
    found = types.type_at(reference)
    while isinstance(found, Alias) and found.qualifier not in ("volatile", "atomic") and found.target:
        found = types.type_at(found.target)
    for member in found.members if isinstance(found, Composite) else ():
        if member.name and member.type is not None:
            yield member.name, any(_qualifiers(types, member.type))


def _qualifiers(types: DebugTypes, reference: Reference) -> tuple[bool, bool]:
    """Whether anything in a type is volatile, and whether anything is atomic."""
    volatile = atomic = False
    seen: set[Reference] = set()
    waiting: list[Reference | None] = [reference]
    while waiting and len(seen) < MAX_TYPES:
        at = waiting.pop()
        if at is None or at in seen:
            continue
        seen.add(at)
        found = types.type_at(at)
        if isinstance(found, Alias):
            volatile = volatile or found.qualifier == "volatile"
            atomic = atomic or found.qualifier == "atomic"
            waiting.append(found.target)
        elif isinstance(found, Array):
            waiting.append(found.element)
        elif isinstance(found, Composite):
            plain = found.name == "atomic" and any(member.name == _VALUE for member in found.members)
            atomic = atomic or plain or ("tomic" in found.name and bool(re.match(_ATOMIC, found.name)))
            waiting += [member.type for member in found.members]
    return volatile, atomic
