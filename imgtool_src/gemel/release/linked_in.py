"""What a build was made of, as its debug information says: compilers by producer, libraries by their members' sources.

A linked ELF file does not name archives.  What is left of them is each compilation unit's source path, so a library
is known by one of these in it:

    libNAME.a(member.o)              the archive itself, as some linkers note it (also in symbols of type FILE)
    registry/src/INDEX/NAME-VERSION  a package of the Rust registry
    NAME-1.2.3/                      a folder of sources with its version
    newlib/libc, libgcc, ...         source trees of the libraries that compilers bring along

A library without debug information leaves nothing, so the list is never complete.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from gemel.builds.build import Build
from gemel.structs import NamedTuple

MAX_LISTED = 500
"""Producers, and libraries, that are listed; the time to write them grows with the square."""

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
_VERSION = re.compile(r"(?<!\d)\d+(?:\.\d+)+")


class LinkedLibrary(NamedTuple):
    """A library of which something is linked in; ``purl`` and ``version`` are empty where not known."""

    name: str
    version: str
    purl: str
    members: tuple[str, ...]


class MadeOf(NamedTuple):
    """Producers and libraries of a build; ``reason`` says why there are none, or not all."""

    producers: tuple[str, ...]
    libraries: tuple[LinkedLibrary, ...]
    reason: str = ""


def made_of(build: Build) -> MadeOf:
    """What the debug information of an ELF file says."""
    symbols = build.all_symbols
    marks = [each.name for each in symbols if each.kind == "file" and _ARCHIVE.search(each.name)]
    found, damaged = build.debug.unit_makers() if build.debug else ([], "it has no debug information")
    libraries = _libraries([*(path for _, path in found), *marks])
    producers = sorted({producer for producer, _ in found if producer})
    if max(len(producers), len(libraries)) > MAX_LISTED:
        damaged = (
            f"of {len(producers):,} producers and {len(libraries):,} libraries {MAX_LISTED} each are listed"
        )
    return MadeOf(tuple(producers[:MAX_LISTED]), libraries[:MAX_LISTED], damaged)


def compiler_of(producer: str) -> tuple[str, str]:
    """Name and version in a producer's text; all of it is the name where no version is in it."""
    if rust := re.search(r"\(rustc version (\S+?)(?: \(|\))", producer):
        return "rustc", rust[1]
    found = _VERSION.search(producer)
    before = producer[: found.start()] if found else ""
    name = before.removesuffix("v").removesuffix("version ").rstrip(" (").strip()
    return (name, found[0]) if found and name else (producer.strip()[:200], "")


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
