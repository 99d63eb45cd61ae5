"""Names of C++ and Rust functions as their sources spell them, where the demangler is installed."""

from __future__ import annotations

import re
from functools import cache
from importlib import import_module
from typing import Any

LONGEST = 1000
"""Characters of a name that is looked at; longer ones stay as they are."""

_SPELLED = (
    (re.compile(r"::h[0-9a-f]{16}$"), ""),  # Rust's hash
    (re.compile(r"(\w+)::\{[a-z ]*ctor\}"), r"\1::\1"),
    (re.compile(r"(\w+)::\{[a-z ]*dtor\}"), r"\1::~\1"),
    (re.compile(r" const(\(.*\))$"), r"\1 const"),
)
"""What the library spells otherwise than sources do."""


@cache
def _demangler() -> Any:
    """The library; None if it is not installed."""
    try:
        return import_module("itanium_demangler")
    except ImportError:
        return None


@cache
def demangled(name: str) -> str:
    """The name without its mangling (Itanium C++ ABI, and Rust's older scheme); itself where that is not known."""
    if not name.startswith("_Z") or len(name) > LONGEST or _demangler() is None:
        return name
    try:
        parsed = _demangler().parse(name)
        text = str(parsed) if parsed is not None else name
    except Exception:  # a name may be anything, and the library states no errors
        return name
    for pattern, spelled in _SPELLED:
        text = pattern.sub(spelled, text)
    return text
