"""Types that builds share: those of the symbols that they share, by their debug information."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.builds.dwarf.types import Alias, Array, Basic, Composite, Enumeration, Pointer
from gemel.draft.evidence import Evidence, can_be_named
from gemel.draft.shared import Shared
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes

MAX_TYPES = 16
"""Types of one contract that a draft names."""

MAX_LEVELS = 16
"""Arrays and names on top of each other, with the type below them, that are looked at."""


class ContractTypes(NamedTuple):
    """Types for a contract, each with the symbol that has it; ``reason`` says why there are none."""

    names: dict[str, str]
    reason: str = ""


def shared_types(shared: Shared, all_seen: list[Evidence]) -> ContractTypes:
    """The structures, unions and enumerations of shared symbols that two builds or more define.

    A name of a plain number, as ``uint32_t``, makes no type of a contract: the symbols' sizes agree or not.
    """
    builds: dict[str, DebugTypes] = {}
    unread = []
    for seen in all_seen:
        if seen.name in shared.builds and seen.build.debug is not None:
            try:
                builds[seen.name] = seen.build.debug.types()
            except DebugUnreadable as error:
                unread.append(f"{seen.file}: {error.reason}")
    if len(builds) < 2:
        return ContractTypes(
            {}, unread[0] if unread else "fewer than two of the builds have debug information"
        )
    found: dict[str, dict[str, str]] = {}
    for name, types in builds.items():
        for symbol in shared.symbols:
            if len(found) < MAX_TYPES and (spelling := _type_of(types, symbol)):
                found.setdefault(spelling, {})[name] = symbol
    known = {
        spelling: next(iter(by.values()))
        for spelling, by in found.items()
        if can_be_named(spelling) and sum(_defines(types, spelling) for types in builds.values()) > 1
    }
    return ContractTypes(known, "" if known else "no shared symbol is of a type that two builds define")


def _defines(types: DebugTypes, spelling: str) -> bool:
    try:
        return bool(types.named(spelling))
    except DebugUnreadable:
        return False


def _type_of(types: DebugTypes, symbol: str) -> str:
    """The name of a symbol's own type without arrays around it; empty for numbers, pointers and no name."""
    try:
        return next((named for each in types.variables(symbol) if (named := _named(types, each))), "")
    except DebugUnreadable:
        return ""


def _named(types: DebugTypes, reference: int | None) -> str:
    alias = ""
    for _ in range(MAX_LEVELS):
        if reference is None:
            return ""
        found = types.type_at(reference)
        if isinstance(found, Array):
            reference, alias = found.element, ""
        elif isinstance(found, Alias):
            alias = alias or found.name
            reference = found.target
        elif isinstance(found, Composite | Enumeration):
            kind = "enum" if isinstance(found, Enumeration) else found.kind
            return f"{kind} {found.name}" if found.name else alias
        elif isinstance(found, Basic | Pointer):
            return ""
        else:
            return ""
    return ""
