"""Entry points of installed packages, found without importing any of them.

The standard library's ``importlib.metadata`` takes 15 ms to import, more than a tenth of a check; nearly
always there is nothing to find, which one look at each installed package's ``entry_points.txt`` shows in a
millisecond (Python Packaging User Guide, "Entry points specification": an INI file, a section a group).
The working folder is never searched, whatever ``sys.path`` says: what is in it was not installed.
"""

from __future__ import annotations

import os
import sys
from functools import cache

from gemel.structs import NamedTuple


class EntryPoint(NamedTuple):
    """One entry: its name, the module that it names, and the package that brings it."""

    name: str
    module: str
    package: str


@cache
def entry_points(group: str) -> tuple[EntryPoint, ...]:
    """The entries of ``group`` in every installed package, by name."""
    found = []
    for folder in dict.fromkeys(_installed_folders()):
        for package in _packages_in(folder):
            text = _read(os.path.join(folder, package, "entry_points.txt"))
            if f"[{group}]" in text:
                found += _entries(text, group, package.partition("-")[0])
    return tuple(sorted(found))


def _installed_folders() -> list[str]:
    here = os.path.realpath(os.curdir)
    return [path for path in sys.path if path and os.path.realpath(path) != here]


def _packages_in(folder: str) -> list[str]:
    try:
        return sorted(name for name in os.listdir(folder) if name.endswith(".dist-info"))
    except OSError:  # an archive, or a folder that is not there
        return []


def _read(path: str) -> str:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return file.read(1 << 20)
    except OSError:
        return ""


def _entries(text: str, group: str, package: str) -> list[EntryPoint]:
    from configparser import ConfigParser, Error

    parser = ConfigParser(delimiters=("=",), interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]  # names keep their case
    try:
        parser.read_string(text)
    except Error:
        return []
    if not parser.has_section(group):
        return []
    return [EntryPoint(name, value.partition(":")[0].strip(), package) for name, value in parser.items(group)]
