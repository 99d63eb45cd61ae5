"""Names of types as people write them."""

from __future__ import annotations

from gemel.builds.dwarf.constants import NAMED, RECORDS, Tag
from gemel.structs import NamedTuple

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
