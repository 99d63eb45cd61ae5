"""Names of C++ and Rust functions as their sources spell them, where the demangler is installed."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from importlib import import_module

MAX_NAME = 400
"""Characters of a name that is looked at; longer ones stay as they are."""

MAX_SPELLED = 1 << 20
"""Characters that a name may stand for; the library spells what a name repeats each time, in any length.  Other names
stay as they are.  Of 5,196 functions of a C++ library four do."""

MAX_TEXT_IN_ALL = 40_000
"""Characters of all names together that one answer spells out."""

_REPEATS, _PACKS = re.compile(r"(?=[ST][0-9A-Z]*_|B[0-9A-Za-z]*_)"), re.compile(r"(?=Dp|sp)")
"""Where a mangled name refers to a part of itself, and where it may repeat a part for each of several arguments."""


@cache
def _demangler() -> Callable[[str], str] | None:
    """The library's function; None if it is not installed."""
    try:
        found: Callable[[str], str] = import_module("pydemumble").demangle
    except ImportError:
        return None
    return found


@cache
def demangled(name: str) -> str:
    """The name without its mangling (Itanium C++ ABI, and both schemes of Rust); itself where that is not known."""
    spell = _demangler() if name.startswith(("_Z", "_R")) and len(name) <= MAX_NAME else None
    if spell is None or _at_most(name) > MAX_SPELLED:
        return name
    try:
        return spell(name) or name
    except (TypeError, UnicodeDecodeError):  # no UTF-8, or a length that ends inside a character
        return name


def _at_most(name: str) -> int:
    """A bound of what a name stands for: each reference at most doubles it, each pack is for so many arguments."""
    repeats, packs = len(_REPEATS.findall(name)), len(_PACKS.findall(name))
    bound: int = len(name) ** (packs + 1)
    return bound << repeats
