"""Whether the bytes of a function or an object are what they were, but for addresses of things that moved."""

from __future__ import annotations

from gemel.comparing.section_anchors import Anchors
from gemel.comparing.side import Side
from gemel.m_profile.halfwords import is_wide

MAX_DIFFERENT = 4096
"""Differing halfwords that are looked at; a symbol with more of them is changed."""


def same_but_for_addresses(old: Side, new: Side) -> bool:
    """Whether two symbols of one size differ in nothing but addresses of what has the same name in both builds.

    Looked through: words that point, branches with 32 bits, addresses loaded in two halves, and distances from them.
    """
    if len(old.data) != len(new.data):
        return False
    if old.data == new.data:
        return True
    differing = [
        index for index, (one, other) in enumerate(zip(old.halves, new.halves, strict=True)) if one != other
    ]
    odd = old.data[-1:] != new.data[-1:] if len(old.data) % 2 else False
    if odd or len(differing) > MAX_DIFFERENT:
        return False
    anchors = Anchors(old, new)
    return all(_is_address(old, new, index) or anchors.explains(index) for index in differing)


def _is_address(old: Side, new: Side, index: int) -> bool:
    if old.word_name(index) & new.word_name(index):
        return True
    for first in (index, index - 1):
        if first >= 0 and is_wide(old.halves[first]) and is_wide(new.halves[first]):
            for name in (Side.branch_name, Side.loaded_name):
                if name(old, first) & name(new, first):
                    return True
    return False
