"""What a build's debug information shows of types, variables and enumerators."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from gemel.builds.dwarf.constants import LANGUAGES, NAMED, RECORDS, At, Tag
from gemel.builds.dwarf.entries import DieOffset, Entries
from gemel.builds.dwarf.fault import DebugUnreadable, DwarfFault
from gemel.builds.dwarf.index import DebugIndex
from gemel.builds.dwarf.sections import DebugSections, read_debug_sections
from gemel.builds.dwarf.type_reader import constant_of, read_type
from gemel.builds.dwarf.types import (
    Alias,
    Array,
    Basic,
    Composite,
    Enumeration,
    Opaque,
    Pointer,
    Reference,
    Type,
)
from gemel.files.paths import FilePath
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.dwarf.split import Beside

MAX_ALIASES = 64
"""Types on top of each other that are looked at: names, qualifiers, pointers and arrays, and what they are of."""

MAX_ELEMENTS = 1 << 64
"""Elements of an array; more of them are taken for a fault."""

_OF_LIBRARY = (
    r"_|(std|core|alloc)::|(u?int(_fast|_least)?\d+|u?int(max|ptr)|s?size|ptrdiff|max_align|wchar|char\d+|wint|wctype"
    r"|(l|ll|imax)?div|time|clock|mbstate|fpos|off|sig_atomic|locale)_t$|FILE$|va_list$|jmp_buf$|tm$|lconv$|timespec$"
)
"""Names of the standard libraries of C, C++ and Rust, and reserved ones (ISO/IEC 9899:2011, 7.1.3; from memory).

A text, not a pattern: few runs need it, and to compile it takes a millisecond of each."""

MAX_DEFINITIONS = 4096
"""Definitions of one name in one file that are looked at."""


def read_debug_types(sections: DebugSections, file: str, beside: Beside | None = None) -> DebugTypes:
    """The types of a file; DebugUnreadable with the reason if it has none or they break the format.

    ``beside`` gives the files of split debug information, or the package (.dwp) named after ``file``.
    """
    with _as_unreadable(file):
        path = FilePath(file)
        packages = (f"{path.name}.dwp", f"{path.stem}.dwp")
        return DebugTypes(Entries(read_debug_sections(sections), beside, packages), file)


@contextmanager
def _as_unreadable(file: str) -> Iterator[None]:
    """Turns whatever malformed debug information leads to into DebugUnreadable."""
    try:
        yield
    except DwarfFault as error:
        raise DebugUnreadable(str(error), file) from error
    except (LookupError, ValueError, OverflowError, struct.error) as error:
        raise DebugUnreadable(f"it does not keep the format ({error})", file) from error


class DebugTypes:
    """The types of one file.  Every method raises DebugUnreadable where the file breaks the format."""

    __slots__ = ("_entries", "_file", "_index", "_types")

    def __init__(self, entries: Entries, file: str) -> None:
        """``file`` is the path as the user wrote it."""
        self._entries = entries
        self._file = file
        self._index = DebugIndex(entries)
        self._types: dict[Reference, Type] = {}

    @property
    def elsewhere(self) -> str:
        """Which part of the debug information is in other files (.dwo), and why these are not read; or empty."""
        for name, reason in self._entries.elsewhere.items():
            others = len(self._entries.elsewhere) - 1
            more = f" and {others} more like it" if others else ""
            return f"part of it is in other files (.dwo): {name}, {reason}{more}"
        return ""

    def named(self, spelling: str) -> tuple[Reference, ...]:
        """Every definition of a type: ``struct link_frame``, ``link_frame_t``, ``link::ring<int, 4>``.

        In the order of the file, at most MAX_DEFINITIONS; a header that several sources include is defined
        in each.  What is only declared does not count.  Types inside of classes are found by their path.
        A name without a scope that nothing has at the top is taken for the one in a scope, if there is only one.
        """
        wanted = parsed(spelling)
        with _as_unreadable(self._file):
            found = [
                entry.offset
                for entry in self._index.named(wanted.last)
                if entry.tag in wanted.tags and entry.scope == wanted.scope
            ]
            if wanted.scope:
                found += self._inside(wanted.scope, wanted.last, wanted.tags)
            defined = [at for at in found if not self._declared_only(self._entries.at(at))]
            if not defined and not wanted.scope:
                defined = self._in_only_scope(wanted)
            return tuple(sorted(set(defined))[:MAX_DEFINITIONS])

    def named_in_any_scope(self, spelling: str) -> tuple[Reference, ...]:
        """The same; for ``second::Link`` what ``Link`` is where nothing is in such a scope, as in another language."""
        found, wanted = self.named(spelling), parsed(spelling)
        if found or not wanted.scope:
            return found
        with _as_unreadable(self._file):
            scopes = {entry.scope[: len(wanted.scope)] for _, entry in self._index.names(frozenset(NAMED))}
        return () if wanted.scope in scopes else self.named(wanted.without_scope)

    def _in_only_scope(self, wanted: Spelled) -> list[Reference]:
        """The types of a plain name in the one scope that has it, as ``second::Link`` for ``Link``."""
        found = [
            entry for entry in self._index.named(wanted.last) if entry.tag in wanted.tags and entry.scope
        ]
        defined = [entry for entry in found if not self._declared_only(self._entries.at(entry.offset))]
        alone = len({entry.scope for entry in defined}) == 1
        return [entry.offset for entry in defined] if alone else []

    def language_of(self, reference: Reference) -> str:
        """The language of the source that a type is from: C, C++, Rust, or empty for any other."""
        with _as_unreadable(self._file):
            top = self._entries.at(self._entries.at(reference).unit.entries)
            value = self._entries.read(top).values.get(At.LANGUAGE)
            return LANGUAGES.get(value, "") if isinstance(value, int) else ""

    def variables(self, name: str) -> tuple[Reference, ...]:
        """The types of every variable of that name (in the source or for linkers) outside of functions.

        Definitions go before declarations, which count only where there is nothing else.
        """
        *scope, last = scoped(name)
        with _as_unreadable(self._file):
            defined: dict[Reference, None] = {}
            declared: dict[Reference, None] = {}
            for entry in self._index.named(last) + self._index.linked(name):
                if entry.tag != Tag.VARIABLE or (scope and entry.scope != tuple(scope)):
                    continue
                place = self._entries.at(entry.offset)
                only = At.DECLARATION in place.abbreviation.forms
                reference = self._type_of_variable(place)
                if reference is not None and not (only and self.size_of(reference) is None):
                    (declared if only else defined)[reference] = None
            return tuple(defined or declared)

    def constants(self, name: str) -> tuple[int, ...]:
        """The values of every enumerator of that name and of every variable that only has a constant value.

        Each value once, in the order of the file.  ``scope::NAME`` names one in a namespace or enumeration.
        """
        *scope, last = scoped(name)
        with _as_unreadable(self._file):
            keys = set(self._entries.keys_of(last))
            found: list[tuple[int, int]] = []
            for entry in self._index.enumerations(last):
                place = self._entries.at(entry.offset)
                for child in self._entries.children(place):
                    if child.abbreviation.tag == Tag.ENUMERATOR and self._entries.name_key(child) in keys:
                        around = entry.scope, (*entry.scope, self._entries.name(place))
                        if not scope or tuple(scope) in around:
                            found.append((child.offset, self._enumerator(entry.offset, child)))
            for entry in self._index.named(last):
                if entry.tag == Tag.VARIABLE and (not scope or entry.scope == tuple(scope)):
                    value = self._constant_value(self._entries.at(entry.offset))
                    if value is not None:
                        found.append((entry.offset, value))
            return tuple(dict.fromkeys(value for _, value in sorted(found)))

    def type_at(self, reference: Reference) -> Type:
        """The type that ``reference`` names."""
        found = self._types.get(reference)
        if found is None:
            with _as_unreadable(self._file):
                found = self._types[reference] = read_type(self._entries, reference)
        return found

    def resolved(self, reference: Reference | None) -> tuple[Reference | None, Type]:
        """The type without names and qualifiers, and its reference; ``void`` for None."""
        for _ in range(MAX_ALIASES):
            if reference is None:
                return None, Opaque("void")
            found = self.type_at(reference)
            if not isinstance(found, Alias):
                return reference, found
            reference = found.target
        raise DebugUnreadable("names of types refer to each other in circles", self._file)

    def definition(self, reference: Reference | None) -> tuple[Reference | None, Type]:
        """As ``resolved``; what is only declared there is replaced by a definition of that name, if any."""
        reference, found = self.resolved(reference)
        if isinstance(found, Composite | Enumeration) and found.declaration and found.name:
            kind = "enum" if isinstance(found, Enumeration) else found.kind
            if defined := self.named(f"{kind} {found.name}"):
                return defined[0], self.type_at(defined[0])
        return reference, found

    def size_of(self, reference: Reference | None) -> int | None:
        """Bytes that the type takes; None if it is open or only declared."""
        size = 1
        for _ in range(MAX_ALIASES):
            reference, found = self.resolved(reference)
            if isinstance(found, Alias):
                return None
            if not isinstance(found, Array):
                own = found.size
                return None if own is None else size * own
            for count in found.counts:
                if count is None:
                    return None
                size *= count
                if size > MAX_ELEMENTS:
                    raise DebugUnreadable("an array in it takes more than any address space", self._file)
            if found.stride is not None:
                return size * found.stride
            reference = found.element
        return None

    def declared(self, reference: Reference | None, name: str) -> str:
        """How C declares ``name`` with that type, qualifiers left out: ``struct link_frame frames[4]``."""
        for _ in range(MAX_ALIASES):
            if reference is None:
                return f"void {name}".rstrip()
            found = self.type_at(reference)
            if isinstance(found, Alias):
                if found.name:
                    return f"{found.name} {name}".rstrip()
                reference = found.target
            elif isinstance(found, Pointer):
                _, target = self.resolved(found.target)
                name = f"({found.sign}{name})" if isinstance(target, Array) else f"{found.sign}{name}"
                reference = found.target
            elif isinstance(found, Array):
                name += "".join("[]" if count is None else f"[{count}]" for count in found.counts)
                reference = found.element
            else:
                return f"{_own_name(found)} {name}".rstrip()
        return name

    def near_names(self, spelling: str) -> list[str]:
        """Names of types that are near to ``spelling``, with their keywords, at most three.

        Names of the languages' libraries, and those reserved for them, are left out, unless ``spelling`` is one.
        """
        from difflib import get_close_matches

        with _as_unreadable(self._file):
            known: dict[str, dict[str, None]] = {}
            spelled = parsed(spelling)
            wanted = spelled.last
            asked = bool(re.match(_OF_LIBRARY, "::".join((*spelled.scope, wanted))))
            for name, entry in self._index.names(frozenset(NAMED)):
                path = "::".join((*entry.scope, name))
                of_library = bool(re.match(_OF_LIBRARY, path))
                if name and of_library <= asked and abs(len(name) - len(wanted)) <= 4:
                    if name == wanted:
                        return [keyword(entry.tag) + path]
                    known.setdefault(name, {})[keyword(entry.tag) + path] = None
            return [path for name in get_close_matches(wanted, sorted(known), n=3) for path in known[name]][
                :3
            ]

    def _inside(self, scope: tuple[str, ...], last: str, tags: frozenset[int]) -> Iterator[Reference]:
        """Types called ``last`` inside of the classes that the path ``scope`` names."""
        for outer in self.named("::".join(scope)):
            place = self._entries.at(outer)
            if place.abbreviation.tag in RECORDS:
                for child in self._entries.children(place):
                    if child.abbreviation.tag in tags and self._entries.name(child) == last:
                        yield child.offset

    def _declared_only(self, place: DieOffset) -> bool:
        if At.DECLARATION not in place.abbreviation.forms:
            return False
        return bool(self._entries.read(place).values.get(At.DECLARATION))

    def _type_of_variable(self, place: DieOffset) -> Reference | None:
        entries = self._entries
        for _ in range(MAX_ALIASES):
            values = entries.read(place).values
            found = entries.reference(place.unit, place.abbreviation, values, At.TYPE)
            if found is not None:
                return found
            declared = entries.reference(place.unit, place.abbreviation, values, At.SPECIFICATION)
            if declared is None:
                return None
            place = entries.at(declared)
        return None

    def _enumerator(self, enumeration: Reference, place: DieOffset) -> int:
        found = self.type_at(enumeration)
        signed, size = (found.signed, found.size) if isinstance(found, Enumeration) else (None, None)
        return constant_of(self._entries.read(place), bool(signed), size) or 0

    def _constant_value(self, place: DieOffset) -> int | None:
        if At.CONST_VALUE not in place.abbreviation.forms:
            return None
        _, found = self.resolved(self._type_of_variable(place))
        if isinstance(found, Enumeration):
            return constant_of(self._entries.read(place), bool(found.signed), found.size)
        if isinstance(found, Basic) and found.encoding in ("signed", "unsigned", "boolean"):
            return constant_of(self._entries.read(place), found.encoding == "signed", found.size)
        return None


def _own_name(found: Basic | Enumeration | Composite | Opaque) -> str:
    if isinstance(found, Composite):
        return f"{found.kind} {found.name}".rstrip()
    if isinstance(found, Enumeration):
        return f"enum {found.name}".rstrip()
    return found.name if isinstance(found, Basic) else found.words


_STRUCTURES = frozenset((Tag.STRUCTURE_TYPE, Tag.CLASS_TYPE))
_KEYWORDS = {
    "struct": _STRUCTURES,
    "class": _STRUCTURES,
    "union": frozenset((Tag.UNION_TYPE,)),
    "enum": frozenset((Tag.ENUMERATION_TYPE,)),
}
_OPENING, _CLOSING = "<({[", ">)}]"


class Spelled(NamedTuple):
    """A name taken apart: which tags it allows, the scopes around it, and its last part."""

    tags: frozenset[int]
    scope: tuple[str, ...]
    last: str

    @property
    def without_scope(self) -> str:
        """The last part, after the keyword that stands for the tags."""
        words = [word for word, tags in _KEYWORDS.items() if tags == self.tags]
        return " ".join((*words[:1], self.last))


def parsed(spelling: str) -> Spelled:
    """``struct link_frame``, ``enum class link::mode``, ``link::ring<link::frame, 4>``, ``link_frame_t``.

    Without a keyword every kind of type is meant.  What stands between brackets is part of a name.
    """
    words = spelling.split()
    tags: frozenset[int] = frozenset(NAMED)
    if len(words) > 1 and words[0] in _KEYWORDS:
        tags = _KEYWORDS[words[0]]
        del words[0]
        if tags == _KEYWORDS["enum"] and len(words) > 1 and words[0] in ("class", "struct"):
            del words[0]
    parts = scoped(" ".join(words))
    return Spelled(tags, tuple(parts[:-1]), parts[-1])


def scoped(name: str) -> list[str]:
    """The parts of a name between ``::`` outside of brackets; an empty first part (``::name``) is dropped."""
    parts, depth, start, at = [], 0, 0, 0
    while at < len(name):
        sign = name[at]
        if sign in _OPENING:
            depth += 1
        elif sign in _CLOSING:
            depth = max(0, depth - 1)
        elif depth == 0 and name.startswith("::", at):
            parts.append(name[start:at])
            at += 2
            start = at
            continue
        at += 1
    parts.append(name[start:])
    return parts[1:] if len(parts) > 1 and not parts[0] else parts


def keyword(tag: int) -> str:
    """The keyword in front of a type with that tag, and a space; empty for those that have none."""
    if tag == Tag.ENUMERATION_TYPE:
        return "enum "
    return f"{RECORDS[tag]} " if tag in RECORDS else ""
