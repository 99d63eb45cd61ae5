"""Whether the bytes of a function or an object are what they were, but for addresses of things that moved."""

from __future__ import annotations

import re

from gemel.comparing.changed_bytes import exclusive_or
from gemel.comparing.section_anchors import Anchors
from gemel.comparing.side import Side
from gemel.m_profile.halfwords import is_wide

_NOT_ZERO = re.compile(rb"[^\0]")

MAX_DIFFERENT = 4096
"""Differing halfwords that are looked at; a symbol with more of them is changed."""


def same_but_for_addresses(old: Side, new: Side) -> bool:
    """Whether two symbols of one size differ in nothing but addresses of what has the same name in both builds.

    Looked through: words that point, branches with 32 bits, addresses loaded in two halves, and distances from them.
    """
    if len(old.data) != len(new.data):
        return False
    bits = exclusive_or(old.data, new.data)
    differing = {run.start() // 2: None for run in _NOT_ZERO.finditer(bits)}
    if len(differing) > MAX_DIFFERENT or (len(bits) % 2 and bits[-1]):
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
