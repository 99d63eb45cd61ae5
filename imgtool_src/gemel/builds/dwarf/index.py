"""Which types and variables stand at the top of units or in namespaces, by name.

A large file is not walked over for a few names: the bytes that refer to a name are searched for first, and each unit
is walked up to the last of them only.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator

from gemel.builds.dwarf.constants import NAMED, At, Form, Tag
from gemel.builds.dwarf.entries import DieOffset, Entries, NameKey
from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.units import Unit
from gemel.structs import NamedTuple

MAX_NAMESPACES = 64
"""Namespaces inside each other that are followed at most."""

BYTES_A_SEARCH, BYTES_A_MATCH = 64, 8
"""A byte that is walked over takes as long as so many that are searched; a match as so many that are walked over."""
SEARCH_SHARE = 0.5
"""Of the work of walking over all units, so much is spent on searching for names at most, until all are walked over."""

_SHORT = 0x80
"""The first code of an abbreviation that takes two bytes."""

_SEARCHED = frozenset((None, Form.STRING, Form.STRP, Form.LINE_STRP))
"""Forms of names, if any, that can be searched for."""

_LINKED = frozenset((At.LINKAGE_NAME, At.MIPS_LINKAGE_NAME))
_INDEXED = frozenset((*NAMED, Tag.VARIABLE))
_NAMING = frozenset((At.NAME, At.SPECIFICATION))
_UNNAMED = frozenset((Tag.VARIABLE, Tag.ENUMERATION_TYPE))
"""What is requested without a name: by its linkage name, by its enumerators."""


class Indexed(NamedTuple):
    """One entry of the index: its offset, its tag, and the namespaces around it from the outside in."""

    offset: int
    tag: int
    scope: tuple[str, ...]


class _Names:
    """Entries by how their names, and those for linkers, are written."""

    __slots__ = ("found", "linked")

    def __init__(self) -> None:
        self.found: dict[NameKey | None, list[Indexed]] = {}
        self.linked: dict[NameKey, list[Indexed]] = {}


class DebugIndex:
    """All named types and variables of a file outside of functions, by how their names are written."""

    __slots__ = ("_entries", "_heads", "_inside", "_parts", "_search_left", "_whole")

    def __init__(self, entries: Entries) -> None:
        """Walks over nothing yet."""
        self._entries = entries
        self._whole: _Names | None = None
        self._parts: dict[str, _Names] = {}
        self._search_left = int(len(entries.joined) * SEARCH_SHARE) if _can_search(entries) else 0
        self._heads: dict[int, list[tuple[int, set[int]]]] = {}
        self._inside: dict[int, list[int]] = {}

    def named(self, name: str) -> list[Indexed]:
        """Every entry of that name, in the order of the file."""
        known = self._names_with(name).found
        return sorted(entry for key in self._entries.keys_of(name) for entry in known.get(key, ()))

    def linked(self, name: str) -> list[Indexed]:
        """Every variable that linkers know by that name, where this is not its name in the source."""
        known = self._names_with(name).linked
        return sorted(entry for key in self._entries.keys_of(name) for entry in known.get(key, ()))

    def names(self, tags: frozenset[int]) -> Iterator[tuple[str, Indexed]]:
        """Every named entry with one of ``tags`` and its name; for suggestions of near names."""
        for key, entries in self._all().found.items():
            for entry in entries:
                if entry.tag in tags:
                    yield self._entries.text(key), entry
                    break

    def enumerations(self, name: str) -> Iterator[Indexed]:
        """Every enumeration that may have an enumerator of that name, the unnamed ones too, in no order."""
        for entries in self._names_with(name).found.values():
            yield from (entry for entry in entries if entry.tag == Tag.ENUMERATION_TYPE)

    def _all(self) -> _Names:
        """Of the top of every unit."""
        if self._whole is None:
            names = _Names()
            for unit in self._entries.units:
                self._walk(names, unit, unit.end)
            self._whole = names
        return self._whole

    def _names_with(self, name: str) -> _Names:
        """Of the parts of units up to where ``name`` is last referred to; of all where that is no less work."""
        if self._whole is not None:
            return self._whole
        if name not in self._parts:
            ends = self._ends_for(name) if self._search_left > 0 else None
            if ends is None:
                return self._all()
            names = self._parts[name] = _Names()
            for unit, end in ends:
                self._walk(names, unit, end)
        return self._parts[name]

    def _ends_for(self, name: str) -> list[tuple[Unit, int]] | None:
        """Where in each unit the last entry may be that refers to ``name``; None where to search takes too long."""
        written = {_written(key) for key in self._entries.keys_of(name)}
        ends: list[tuple[Unit, int]] = []
        for unit in self._entries.units:
            self._search_left -= len(written) * (unit.end - unit.entries) // BYTES_A_SEARCH
            last = max((self._last(unit, each) for each in written), default=-1)
            if last >= 0:
                self._search_left -= last - unit.entries
                ends.append((unit, last + 1))
            if self._search_left <= 0:
                return None
        return ends

    def _last(self, unit: Unit, written: bytes) -> int:
        """The last place in a unit where a name is written, after the code of an entry that has one there; or -1."""
        joined, heads = self._entries.joined, self._heads_of(unit)
        at = joined.rfind(written, unit.entries, unit.end)
        while at >= 0 and heads:
            for size, codes in heads:
                if joined[at - size] in codes:
                    return at
            self._search_left -= BYTES_A_MATCH
            at = joined.rfind(written, unit.entries, at + len(written) - 1)
        return at

    def _heads_of(self, unit: Unit) -> list[tuple[int, set[int]]]:
        """How far before a name an entry begins, and its codes; empty if that varies."""
        key = id(unit.abbreviations)
        if key not in self._heads:
            heads: dict[int, set[int]] = {}
            for code, kind in unit.abbreviations.items():
                if kind.tag == Tag.VARIABLE and not _LINKED.isdisjoint(kind.forms):
                    heads[0] = set()
                if (kind.tag in _INDEXED or kind.tag == Tag.ENUMERATOR) and At.NAME in kind.forms:
                    heads.setdefault(kind.name_at + 1 if code < _SHORT else 0, set()).add(code)
            self._heads[key] = [] if 0 in heads else list(heads.items())
        return self._heads[key]

    def _walk(self, names: _Names, unit: Unit, end: int) -> None:
        if unit.entries < unit.end:
            top = self._entries.at(unit.entries)
            if top.abbreviation.children:
                self._gather(names, top, (), 0, end)

    def _gather(self, names: _Names, parent: DieOffset, scope: tuple[str, ...], depth: int, end: int) -> None:
        if depth > MAX_NAMESPACES:
            raise DwarfFault(f"more than {MAX_NAMESPACES} namespaces inside each other")
        entries, joined, found = self._entries, self._entries.joined, names.found
        unit = parent.unit
        at = parent.abbreviation.end(joined, parent.attributes)
        end_of, abbreviation_at, walked = entries.end_of, unit.abbreviation, entries.walked
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
                    self._link(names, place, Indexed(at, tag, scope))
            elif tag == Tag.NAMESPACE and abbreviation.children:
                place = DieOffset(at, unit, abbreviation, attributes)
                name = entries.name(place)
                self._gather(names, place, (*scope, name) if name else scope, depth + 1, end)
            at = end_of(unit, abbreviation, attributes)

    def _link(self, names: _Names, place: DieOffset, entry: Indexed) -> None:
        for attribute in _LINKED:
            if attribute in place.abbreviation.forms:
                key = self._entries.text_key(place, attribute)
                if key is not None:
                    names.linked.setdefault(key, []).append(entry)

    def _scope_of_declaration(self, place: DieOffset) -> tuple[str, ...]:
        """What is around the declaration that a type's definition refers to, as type units write them."""
        entries = self._entries
        values = entries.read(place).values
        declared = entries.reference(place.unit, place.abbreviation, values, At.SPECIFICATION)
        if declared is None:
            return ()
        scope: list[str] = []
        around = place.unit.entries
        for _ in range(MAX_NAMESPACES):
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


def _can_search(entries: Entries) -> bool:
    """Whether names are in the entries themselves: not by numbers of a table, nor in declarations elsewhere."""
    tables = {id(unit.abbreviations): unit.abbreviations for unit in entries.units}
    kinds = {id(kind): kind for table in tables.values() for kind in table.values()}
    return not any(unit.strings for unit in entries.units) and all(
        _SEARCHED.issuperset(map(kind.forms.get, (At.NAME, *_LINKED)))
        and not (kind.tag == Tag.VARIABLE and At.SPECIFICATION in kind.forms)
        for kind in kinds.values()
    )


def _written(key: NameKey) -> bytes:
    """The bytes by which an entry refers to a name."""
    if isinstance(key, bytes):
        return key + b"\0"
    return (key if key >= 0 else -1 - key).to_bytes(4, "little")
