"""Names of C++ objects in namespaces as symbols have them.

Source: Itanium C++ ABI, section 5.1, mangling of nested names (from memory)::

    tide::link          _ZN 4tide 4link E
    the same, internal  _ZN 4tide L 4link E
"""

from __future__ import annotations

import re

from gemel.spans import offsets_of

MAX_PREFIX = 400
"""Characters in front of a name that are looked at."""


def mangled(name: str) -> tuple[str, ...]:
    """What a symbol of an object with a qualified name may be called; nothing for other names."""
    *scope, last = name.removeprefix("::").split("::")
    if not scope or not all(part.isascii() and part.isidentifier() for part in (*scope, last)):
        return ()
    outer = "".join(f"{len(part)}{part}" for part in scope)
    return tuple(f"_ZN{outer}{internal}{len(last)}{last}E" for internal in ("", "L"))


def of_namespaces(name: str, strings: bytes) -> tuple[str, ...]:
    """What an object of that name in a namespace may be called in a table of names."""
    return mangled(name) or only_in_namespace(name, strings)


def only_in_namespace(name: str, strings: bytes) -> tuple[str, ...]:
    """The one object of that plain name in some namespace, of a table of names; nothing if there are several."""
    if not (name.isascii() and name.isidentifier()):
        return ()
    ending = f"{len(name)}{name}E\0".encode()
    found: set[bytes] = set()
    for at in offsets_of(ending, strings):
        start = strings.rfind(b"\0", max(0, at - MAX_PREFIX), at) + 1
        if _is_scope(strings[start:at]):
            found.add(strings[start : at + len(ending) - 1])
    return tuple(each.decode() for each in found) if len(found) == 1 else ()


def _is_scope(prefix: bytes) -> bool:
    """Whether it is the start of a nested name up to its last part: lengths, each with so many characters."""
    text = prefix.decode("latin-1")
    at = 3
    while match := re.match("[1-9][0-9]{0,2}", text[at : at + 3]):
        at += match.end() + int(match[0])
    return text.startswith("_ZN") and at > 3 and text[at:] in ("", "L") and text.isascii()
