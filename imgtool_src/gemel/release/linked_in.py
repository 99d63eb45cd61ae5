"""What a build was made of, as its debug information says: compilers by producer, libraries by their members' sources.

A linked ELF file does not name archives.  What is left of them is each compilation unit's source path, so a library
is known by one of these in it:

    libNAME.a(member.o)              the archive itself, as some linkers note it (also in symbols of type FILE)
    registry/src/INDEX/NAME-VERSION  a package of the Rust registry
    NAME-1.2.3/                      a folder of sources with its version
    newlib/libc, libgcc, ...         source trees of the libraries that compilers bring along

Read by ``pyelftools``.  A library without debug information leaves nothing, so the list is never complete.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from io import BytesIO
from typing import Any

from gemel.release.extras import library
from gemel.structs import NamedTuple

MAX_UNITS = 100_000
"""Compilation units of one build that are looked at."""

MAX_MEMBERS = 50
"""Members of a library that are listed; the others are counted."""

_ARCHIVE = re.compile(r"(?:^|[/\\])(?:lib)?([A-Za-z0-9_+.-]+?)\.(?:a|lib)\(([^()]+)\)")
_CARGO = re.compile(r"registry/src/[^/]+/([A-Za-z0-9_-]+?)-(\d+\.\d+\.\d+[A-Za-z0-9.+-]*)/")
_VERSIONED = re.compile(
    r"(?:^|/)([A-Za-z][A-Za-z0-9_+]*(?:-[A-Za-z][A-Za-z0-9_+]*)*)-v?(\d+(?:\.\d+)+[A-Za-z0-9.+-]*)(?=/)"
)
_RUST = re.compile(r"(?:^|/)rustc/([0-9a-f]{40})/library/([a-z_]+)/")
_TREES = {
    "newlib/": "newlib",
    "picocrt/": "picolibc",
    "libgcc/": "libgcc",
    "libstdc++-v3/": "libstdc++",
    "libcxx/": "libc++",
    "compiler-rt/": "compiler-rt",
}
_PICOLIBC = re.compile(r"(?:^|/)(?:picocrt|picolib)/")
_PRODUCER = re.compile(r"(?P<name>.*?)[ (]*(?:version )?v?(?P<version>\d+(?:\.\d+)+)")


class LinkedLibrary(NamedTuple):
    """A library of which something is linked in; ``purl`` and ``version`` are empty where not known."""

    name: str
    version: str
    purl: str
    members: tuple[str, ...]


class MadeOf(NamedTuple):
    """Producers and libraries of a build; ``reason`` says why there are none."""

    producers: tuple[str, ...]
    libraries: tuple[LinkedLibrary, ...]
    reason: str = ""


def made_of(elf: bytes) -> MadeOf:
    """What the debug information of an ELF file says."""
    elffile = library("elftools.elf.elffile", "reading what a build was made of")
    try:
        file = elffile.ELFFile(BytesIO(elf))
        marks = _file_symbols(file)
        if not file.has_dwarf_info():
            return MadeOf((), _libraries(marks), "it has no debug information")
        units = list(_units(file))
    except Exception as error:  # damaged debug information: pyelftools raises errors of any kind
        return MadeOf((), (), f"its debug information cannot be read: {type(error).__name__}")
    producers = sorted({producer for producer, _ in units if producer})
    return MadeOf(tuple(producers), _libraries([*(path for _, path in units), *marks]))


def compiler_of(producer: str) -> tuple[str, str]:
    """Name and version in a producer's text; all of it is the name where no version is in it."""
    if rust := re.search(r"\(rustc version (\S+?)(?: \(|\))", producer):
        return "rustc", rust[1]
    found = _PRODUCER.match(producer)
    if not found or not found["name"].strip():
        return producer.strip()[:200], ""
    return found["name"].strip(), found["version"]


def _units(file: Any) -> Iterator[tuple[str, str]]:
    """Producer and source path of each compilation unit."""
    for number, unit in enumerate(file.get_dwarf_info().iter_CUs()):
        if number == MAX_UNITS:
            return
        values = {
            name: attribute.value.decode("utf-8", "replace")
            for name, attribute in unit.get_top_DIE().attributes.items()
            if isinstance(attribute.value, bytes)
        }
        path, folder = values.get("DW_AT_name", ""), values.get("DW_AT_comp_dir", "")
        whole = path if path.startswith("/") or not folder else f"{folder}/{path}"
        yield values.get("DW_AT_producer", ""), whole.replace("\\", "/")


def _file_symbols(file: Any) -> list[str]:
    """Names of symbols of type FILE that name an archive's member."""
    table = file.get_section_by_name(".symtab")
    if table is None or not hasattr(table, "iter_symbols"):
        return []
    names = (each.name for each in table.iter_symbols() if each["st_info"]["type"] == "STT_FILE")
    return [name for name in names if _ARCHIVE.search(name)]


def _libraries(paths: Iterable[str]) -> tuple[LinkedLibrary, ...]:
    every = list(paths)
    picolibc = any(_PICOLIBC.search(path) for path in every)
    members: dict[tuple[str, str, str], set[str]] = {}
    for path in every:
        known = _library_of(path, picolibc)
        if known:
            members.setdefault(known, set()).add(_member(path))
    return tuple(LinkedLibrary(*known, tuple(sorted(found))) for known, found in sorted(members.items()))


def _library_of(path: str, picolibc: bool) -> tuple[str, str, str] | None:
    """Name, version and purl of the library that a source path belongs to; None for the team's own code."""
    if archive := _ARCHIVE.search(path):
        return archive[1], "", ""
    if crate := _CARGO.search(path):
        return crate[1], crate[2], f"pkg:cargo/{crate[1]}@{crate[2]}"
    if rust := _RUST.search(path):
        return f"rust-{rust[2]}", rust[1], ""
    if versioned := _VERSIONED.search(path):
        return versioned[1], versioned[2], ""
    for tree, name in _TREES.items():
        if path.startswith(tree) or f"/{tree}" in path:
            return "picolibc" if name == "newlib" and picolibc else name, "", ""
    return None


def _member(path: str) -> str:
    archive = _ARCHIVE.search(path)
    return archive[2] if archive else path.rpartition("/")[2] or path
