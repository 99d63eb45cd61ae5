"""A name that is searched for is found as by a walk over all units, in builds of every compiler and version."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from contract_builds import BUILT as CONTRACT
from gauge_builds import BUILT as GAUGE

from gemel.builds.build import Build
from gemel.builds.dwarf import index as index_of_names
from gemel.builds.dwarf.debug_types import DebugTypes
from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource

FILES = sorted([*CONTRACT.glob("*.elf"), *GAUGE.rglob("*.elf")])
NAMES_A_FILE = 9


def test_what_is_found_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Types, variables and enumerators of every name, searched for or not; most names are searched for."""
    searched = 0

    def counted(*words: object) -> object:
        nonlocal searched
        searched += 1
        return ends_for(*words)  # type: ignore[arg-type]

    ends_for = index_of_names.DebugIndex._ends_for
    monkeypatch.setattr(index_of_names.DebugIndex, "_ends_for", counted)
    asked = 0
    for path in FILES:
        build = read_build(BytesSource(path.read_bytes(), path.name), name="station", file=path.name)
        whole = _types(build, monkeypatch, 0)
        for name in _names(build) if whole else ():
            asked += 1
            assert _found(_types(build, monkeypatch, 1 << 20), name) == _found(whole, name), (path.name, name)
    assert searched > asked / 2 > 100, (searched, asked)


@pytest.mark.parametrize("share", [index_of_names.SEARCH_SHARE, 1e-3])
def test_a_search_that_takes_long_ends_in_a_walk(monkeypatch: pytest.MonkeyPatch, share: float) -> None:
    """Many names are found too, the first by a search, and the others once the work for that is spent."""
    build = read_build(
        BytesSource((CONTRACT / "station.elf").read_bytes(), "s.elf"), name="station", file="s.elf"
    )
    monkeypatch.setattr(index_of_names, "SEARCH_SHARE", 0)
    whole = _types(build, monkeypatch, 0)
    types = _types(build, monkeypatch, share)
    assert whole
    assert types
    assert [_found(types, name) for name in _names(build)] == [_found(whole, name) for name in _names(build)]


def _types(build: Build, monkeypatch: pytest.MonkeyPatch, share: float) -> DebugTypes | None:
    monkeypatch.setattr(index_of_names, "SEARCH_SHARE", share)
    assert build.debug
    build.debug._answer = None
    try:
        return build.debug.types()
    except DebugUnreadable:
        return None


def _names(build: Build) -> Iterator[str]:
    """Names of types, variables, enumerators and functions, as many of each file, and some that it has not."""
    assert build.debug
    types = build.debug.types()
    named = {name for name, _ in types._index.names(frozenset(range(0x100)))}
    symbols = {symbol.name for symbol in build.symbols.places()} if build.symbols else set()
    known = sorted(named | symbols | {"LINK_COUNT", "link", "not_there"})
    yield from known[:: len(known) // NAMES_A_FILE + 1]


def _found(types: DebugTypes | None, name: str) -> object:
    assert types
    spelled = [f"{keyword}{name}" for keyword in ("struct ", "enum ", "union ", "")]
    try:
        return [types.named(each) for each in spelled], types.variables(name), types.constants(name)
    except DebugUnreadable as error:
        return error.reason
