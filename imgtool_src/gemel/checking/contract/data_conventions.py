"""The compilers' conventions for data in memory, as the build attributes show them.

ADDENDA32 2025Q4, "Public (aeabi) attribute tags".  Of two builds that only share data, these must agree
where data of that kind is shared; what concerns calls and instructions need not.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.elf.attributes import BuildAttributes
from gemel.structs import NamedTuple

ENUMERATIONS, WIDE_CHARACTERS, ALIGNMENT, HALF_PRECISION = 26, 18, 24, 38
_WORDS = {
    ENUMERATIONS: "size of enumerations",
    WIDE_CHARACTERS: "size of wchar_t",
    ALIGNMENT: "alignment of 8-byte data",
    HALF_PRECISION: "format of 16-bit floating point",
}
_CONTRARY = {ENUMERATIONS: {1, 2}, WIDE_CHARACTERS: {2, 4}, ALIGNMENT: {1, 2}, HALF_PRECISION: {1, 2}}
"""The values of each tag that exclude one another; with every other value nothing is said."""

_MORE_ALIGNMENT = 4
"""From this value on, ABI_align_needed means 8-byte alignment and more."""


class Differing(NamedTuple):
    """One convention that two builds do not share: the tag, what it is about, and either side in words."""

    tag: int
    what: str
    left: str
    right: str


def differing_conventions(left: BuildAttributes, right: BuildAttributes) -> Iterator[Differing]:
    """Each convention that the two builds hold otherwise."""
    for tag, contrary in _CONTRARY.items():
        mine, theirs = _value(left, tag), _value(right, tag)
        if mine != theirs and {mine, theirs} <= contrary:
            yield Differing(tag, _WORDS[tag], left.in_words(tag), right.in_words(tag))


def _value(attributes: BuildAttributes, tag: int) -> int:
    value = attributes.number(tag)
    return 1 if tag == ALIGNMENT and value >= _MORE_ALIGNMENT else value
