"""The first thing a layout must get right: every memory, core, area and build that it names exists."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.errors import nearest_hint
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import (
    AreaPlace,
    AreaRange,
    BuildRange,
    Layout,
    PatchPlace,
    Range,
    StampValue,
    SymbolPlace,
)
from gemel.structs import NamedTuple

_TABLES = {"memory": "memories", "core": "cores", "area": "areas", "build": "builds"}


class NameReference(NamedTuple):
    """A place in the layout that names something: where, what name, and the tables it may be in."""

    path: KeyPath
    name: str
    tables: tuple[str, ...]


def unknown_names(layout: Layout) -> Iterator[LayoutFault]:
    """A fault for each name that nothing in the layout has."""
    for path, name, tables in references(layout):
        known = sorted({each for table in tables for each in getattr(layout, _TABLES[table])})
        if name not in known:
            what = " or ".join(tables)
            yield LayoutFault(
                path,
                f"unknown {what}",
                found=name,
                expected=f"one of {', '.join(known)}" if known else f"none: the layout has no {what}",
                next_step=nearest_hint(name, known),
            )


def references(layout: Layout) -> Iterator[NameReference]:
    """Every place in the layout that names a memory, core, area or build."""
    for memory in layout.memories.values():
        for core in memory.views:
            yield NameReference(("memory", memory.name, "views", core), core, ("core",))
    for owner in layout.cores.values():
        yield from _areas(("core", owner.name, "ram"), owner.ram)
    for area in layout.areas.values():
        yield NameReference(("area", area.name, "memory"), area.memory, ("memory",))
    for build in layout.builds.values():
        path: KeyPath = ("build", build.name)
        yield NameReference((*path, "core"), build.core, ("core",))
        yield NameReference((*path, "stored_in"), build.stored_in, ("area",))
        yield from _areas((*path, "also_stored_in"), build.also_stored_in)
        if build.runs_in is not None:
            yield NameReference((*path, "runs_in"), build.runs_in, ("area",))
        if build.copied_by:
            yield NameReference((*path, "copied_by", "build"), build.copied_by.build, ("build",))
    for contract in layout.contracts.values():
        path = ("contract", contract.name)
        yield NameReference((*path, "area"), contract.area, ("area",))
        if contract.boot_symbol:
            yield NameReference((*path, "boot_symbol", "build"), contract.boot_symbol.build, ("build",))
    if layout.record:
        yield NameReference(("record", "area"), layout.record.area, ("area",))
    if layout.seal:
        yield NameReference(("seal", "area"), layout.seal.area, ("area",))
    yield from _in_values(layout)


def _areas(path: KeyPath, names: tuple[str, ...]) -> Iterator[NameReference]:
    for index, name in enumerate(names):
        yield NameReference((*path, index), name, ("area",))


def _in_values(layout: Layout) -> Iterator[NameReference]:
    for index, stamp in enumerate(layout.stamps):
        yield from _in_place(("stamp", index, "at"), stamp.at)
        if isinstance(stamp.value, StampValue):
            for key in ("run_start_of", "vectors_of", "build_id_of"):
                if name := getattr(stamp.value, key):
                    yield NameReference(("stamp", index, "value", key), name, ("build",))
            for key in ("size_of", "start_of", "end_of", "sha256_of"):
                if name := getattr(stamp.value, key):
                    yield NameReference(("stamp", index, "value", key), name, ("build", "area"))
    for index, checksum in enumerate(layout.checksums):
        yield from _in_place(("checksum", index, "at"), checksum.at)
        for key, ranges in (("over", checksum.over), ("except", checksum.exceptions)):
            for position, item in enumerate(ranges):
                yield from _in_range(("checksum", index, key, position), item)


def _in_place(path: KeyPath, place: PatchPlace) -> Iterator[NameReference]:
    if isinstance(place, SymbolPlace):
        yield NameReference((*path, "build"), place.build, ("build",))
    elif isinstance(place, AreaPlace):
        yield NameReference((*path, "area"), place.area, ("area",))


def _in_range(path: KeyPath, item: Range) -> Iterator[NameReference]:
    if isinstance(item, str):
        yield NameReference(path, item, ("area",))
    elif isinstance(item, AreaRange):
        yield NameReference((*path, "area"), item.area, ("area",))
    elif isinstance(item, BuildRange):
        yield NameReference((*path, "build"), item.build, ("build",))
