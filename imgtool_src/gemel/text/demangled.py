"""Names of C++ and Rust functions as their sources spell them, where the demangler is installed."""

from __future__ import annotations

import gc
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib import import_module
from typing import Any

LONGEST = 400
"""Characters of a name that is looked at; longer ones stay as they are."""

MOST_CALLS, MOST_DEEP = 20, 80
"""Calls that the library may take for each character of a name, and calls inside each other; it spells what a name
repeats each time, so that 150 characters can stand for gigabytes.  Other names stay as they are.  Of 9,210 names of a
C++ library none takes more than 14 a character."""

MAX_TEXT_IN_ALL = 40_000
"""Characters of all names together that one answer spells out: half a second's work at worst."""

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
        with _bounded(MOST_CALLS * len(name)):
            parsed = _demangler().parse(name)
            text = str(parsed) if parsed is not None else name
    except Exception:  # a name may be anything, and the library states no errors
        return name
    for pattern, spelled in _SPELLED:
        text = pattern.sub(spelled, text)
    return text


class _TooMuchWork(Exception):
    """A name takes too many calls, or too deep ones."""


@contextmanager
def _bounded(most: int) -> Iterator[None]:
    """Raise _TooMuchWork from whatever is called inside, after ``most`` calls or deeper than MOST_DEEP."""
    calls = depth = 0

    def count(frame: object, event: str, value: object) -> None:
        nonlocal calls, depth
        if event == "return":
            depth -= 1
        elif event == "call":
            calls, depth = calls + 1, depth + 1
            if calls > most or depth > MOST_DEEP:
                raise _TooMuchWork

    before, collects = sys.getprofile(), gc.isenabled()
    gc.disable()  # what is raised inside a callback of the collector is lost, and the count with it
    sys.setprofile(count)
    try:
        yield
    finally:
        sys.setprofile(before)
        if collects:
            gc.enable()
