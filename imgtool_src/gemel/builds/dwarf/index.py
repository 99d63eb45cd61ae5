"""Which types and variables stand at the top of units or in namespaces, by name."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator

from gemel.builds.dwarf.constants import NAMED, At, Tag
from gemel.builds.dwarf.entries import DieOffset, Entries, NameKey
from gemel.builds.dwarf.fault import DwarfFault
from gemel.structs import NamedTuple

DEPTH_LIMIT = 64
"""Namespaces inside each other that are followed at most."""

_INDEXED = frozenset((*NAMED, Tag.VARIABLE))
_NAMING = frozenset((At.NAME, At.SPECIFICATION))
_UNNAMED = frozenset((Tag.VARIABLE, Tag.ENUMERATION_TYPE))
"""What is requested without a name: by its linkage name, by its enumerators."""


class Indexed(NamedTuple):
    """One entry of the index: its offset, its tag, and the namespaces around it from the outside in."""

    offset: int
    tag: int
    scope: tuple[str, ...]


class Index:
    """All named types and variables of a file outside of functions, by how their names are written."""

    __slots__ = ("_entries", "_found", "_inside", "_linked")

    def __init__(self, entries: Entries) -> None:
        """Walks over the top of every unit."""
        self._entries = entries
        self._found: dict[NameKey, list[Indexed]] = {}
        self._linked: dict[NameKey, list[Indexed]] = {}
        self._inside: dict[int, list[int]] = {}
        for unit in entries.units:
            if unit.entries >= unit.end:
                continue
            top = entries.at(unit.entries)
            if top.abbreviation.children:
                self._gather(top, (), 0)

    def named(self, name: str) -> list[Indexed]:
        """Every entry of that name, in the order of the file."""
        found: list[Indexed] = []
        for key in self._entries.keys_of(name):
            found += self._found.get(key, ())
        return sorted(found)

    def linked(self, name: str) -> list[Indexed]:
        """Every variable that linkers know by that name, where this is not its name in the source."""
        found: list[Indexed] = []
        for key in self._entries.keys_of(name):
            found += self._linked.get(key, ())
        return sorted(found)

    def names(self, tags: frozenset[int]) -> Iterator[tuple[str, Indexed]]:
        """Every named entry with one of ``tags`` and its name; for suggestions of near names."""
        for key, entries in self._found.items():
            for entry in entries:
                if entry.tag in tags:
                    yield self._entries.text(key), entry
                    break

    def of_tag(self, tag: int) -> Iterator[Indexed]:
        """Every entry with that tag, the unnamed ones too, in no order."""
        for entries in self._found.values():
            yield from (entry for entry in entries if entry.tag == tag)

    def _gather(self, parent: DieOffset, scope: tuple[str, ...], depth: int) -> None:
        if depth > DEPTH_LIMIT:
            raise DwarfFault(f"more than {DEPTH_LIMIT} namespaces inside each other")
        entries, joined, found = self._entries, self._entries.joined, self._found
        unit = parent.unit
        at, end = parent.abbreviation.end(joined, parent.attributes), unit.end
        behind, abbreviation_at, walked = entries.behind, unit.abbreviation, entries.walked
        while at < end:
            abbreviation, attributes = abbreviation_at(joined, at)
            if abbreviation is None:
                return
            walked(1)
            tag = abbreviation.tag
            if (tag in _INDEXED and not _NAMING.isdisjoint(abbreviation.forms)) or tag in _UNNAMED:
                place = DieOffset(at, unit, abbreviation, attributes)
                key = entries.name_key(place)
                if key is None:
                    key = self._specified(place) if tag == Tag.VARIABLE else b""
                if At.SPECIFICATION in abbreviation.forms and tag != Tag.VARIABLE:
                    found.setdefault(key, []).append(Indexed(at, tag, self._scope_of_declaration(place)))
                else:
                    found.setdefault(key, []).append(Indexed(at, tag, scope))
                if tag == Tag.VARIABLE:
                    self._link(place, Indexed(at, tag, scope))
            elif tag == Tag.NAMESPACE and abbreviation.children:
                place = DieOffset(at, unit, abbreviation, attributes)
                name = entries.name(place)
                self._gather(place, (*scope, name) if name else scope, depth + 1)
            at = behind(unit, abbreviation, attributes)

    def _link(self, place: DieOffset, entry: Indexed) -> None:
        for attribute in (At.LINKAGE_NAME, At.MIPS_LINKAGE_NAME):
            if attribute in place.abbreviation.forms:
                key = self._entries.text_key(place, attribute)
                if key is not None:
                    self._linked.setdefault(key, []).append(entry)

    def _scope_of_declaration(self, place: DieOffset) -> tuple[str, ...]:
        """What is around the declaration that a type's definition refers to, as type units write them."""
        entries = self._entries
        values = entries.read(place).values
        declared = entries.reference(place.unit, place.abbreviation, values, At.SPECIFICATION)
        if declared is None:
            return ()
        scope: list[str] = []
        around = place.unit.entries
        for _ in range(DEPTH_LIMIT):
            inside = self._inside.get(around)
            if inside is None:
                children = entries.children(entries.at(around))
                inside = self._inside[around] = [child.offset for child in children]
            index = bisect_right(inside, declared) - 1
            if index < 0 or inside[index] == declared:
                break
            around = inside[index]
            if name := entries.name(entries.at(around)):
                scope.append(name)
        return tuple(scope)

    def _specified(self, place: DieOffset) -> NameKey:
        """The name of the declaration that a variable's definition refers to."""
        abbreviation = place.abbreviation
        if At.SPECIFICATION not in abbreviation.forms:
            return b""
        values = self._entries.read(place).values
        declared = self._entries.reference(place.unit, abbreviation, values, At.SPECIFICATION)
        if declared is None:
            return b""
        return self._entries.name_key(self._entries.at(declared)) or b""
