"""What the parts of a layout must say about each other: names that exist, areas that fit, one primary.

`faults_between` gathers the faults of every check; each check is a generator over the whole layout.
"""

from __future__ import annotations

import itertools
import uuid
from collections.abc import Iterable, Iterator

from gemel.layout.addresses import starts_of
from gemel.layout.kinds import Fault, KeyPath, nearest_hint
from gemel.layout.model import (
    AreaPlace,
    AreaRange,
    BuildRange,
    Layout,
    Place,
    Range,
    SpanRange,
    StampValue,
    SymbolPlace,
)
from gemel.spans import ADDRESS_SPACE, Span, format_address, format_size, is_power_of_two


def faults_between(layout: Layout) -> list[Fault]:
    """Every fault between the parts of ``layout``; names that do not exist hide what depends on them."""
    faults = [*_unknown_names(layout), *_cores(layout), *_memories(layout)]
    if not faults:
        faults = [*_areas(layout), *_builds(layout), *_record_and_seal(layout), *_ranges(layout)]
    return faults


def _unknown(path: KeyPath, found: str, what: str, known: Iterable[str]) -> Fault:
    names = sorted(known)
    listed = ", ".join(names) or f"none: the layout has no {what}"
    return Fault(path, f"no {what} of this name", found, f"one of {listed}", nearest_hint(found, names))


def _unknown_names(layout: Layout) -> Iterator[Fault]:
    for path, name, what in _references(layout):
        known: Iterable[str] = getattr(layout, f"{'memorie' if what == 'memory' else what}s")
        if name not in known:
            yield _unknown(path, name, what, known)


def _references(layout: Layout) -> Iterator[tuple[KeyPath, str, str]]:
    """Every place in the layout that names a memory, core, area or build: (path, name, what)."""
    for memory in layout.memories.values():
        for core in memory.views:
            yield ("memory", memory.name, "views", core), core, "core"
    for core_plan in layout.cores.values():
        for index, area in enumerate(core_plan.ram):
            yield ("core", core_plan.name, "ram", index), area, "area"
    for area_plan in layout.areas.values():
        yield ("area", area_plan.name, "memory"), area_plan.memory, "memory"
    for build in layout.builds.values():
        yield ("build", build.name, "core"), build.core, "core"
        yield ("build", build.name, "stored_in"), build.stored_in, "area"
        for index, area in enumerate(build.also_stored_in):
            yield ("build", build.name, "also_stored_in", index), area, "area"
        if build.runs_in is not None:
            yield ("build", build.name, "runs_in"), build.runs_in, "area"
    for contract in layout.contracts.values():
        yield ("contract", contract.name, "area"), contract.area, "area"
        if contract.boot_symbol:
            yield ("contract", contract.name, "boot_symbol", "build"), contract.boot_symbol.build, "build"
    if layout.record:
        yield ("record", "area"), layout.record.area, "area"
    if layout.seal:
        yield ("seal", "area"), layout.seal.area, "area"
    yield from _references_of_writes(layout)


def _references_of_writes(layout: Layout) -> Iterator[tuple[KeyPath, str, str]]:
    for index, stamp in enumerate(layout.stamps):
        yield from _place_references(("stamp", index, "at"), stamp.at)
        if isinstance(stamp.value, StampValue):
            for name in ("run_start_of", "vectors_of", "build_id_of"):
                if build := getattr(stamp.value, name):
                    yield ("stamp", index, "value", name), build, "build"
            for name in ("size_of", "start_of", "end_of", "sha256_of"):
                either = getattr(stamp.value, name)
                if either and either not in layout.areas:
                    yield ("stamp", index, "value", name), either, "build"
    for index, checksum in enumerate(layout.checksums):
        yield from _place_references(("checksum", index, "at"), checksum.at)
        for key, ranges in (("over", checksum.over), ("except", checksum.exceptions)):
            for position, item in enumerate(ranges):
                yield from _range_references(("checksum", index, key, position), item)


def _place_references(path: KeyPath, place: Place) -> Iterator[tuple[KeyPath, str, str]]:
    if isinstance(place, SymbolPlace):
        yield (*path, "build"), place.build, "build"
    elif isinstance(place, AreaPlace):
        yield (*path, "area"), place.area, "area"


def _range_references(path: KeyPath, item: Range) -> Iterator[tuple[KeyPath, str, str]]:
    if isinstance(item, str):
        yield path, item, "area"
    elif isinstance(item, AreaRange):
        yield (*path, "area"), item.area, "area"
    elif isinstance(item, BuildRange):
        yield (*path, "build"), item.build, "build"


def _cores(layout: Layout) -> Iterator[Fault]:
    primaries = [core.name for core in layout.cores.values() if core.role == "primary"]
    if len(primaries) != 1:
        found = ", ".join(primaries) or "none"
        yield Fault(("core",), "a device has one primary core", found, 'one core with role = "primary"')
    for core in layout.cores.values():
        path: KeyPath = ("core", core.name)
        if core.role == "primary" and core.release:
            yield Fault((*path, "release"), "the primary starts at reset", "a release", "none")
        if core.role == "secondary" and core.reset_vectors is not None:
            found = format_address(core.reset_vectors)
            hint = "its vectors come from the build: see vector_offset"
            yield Fault((*path, "reset_vectors"), "a secondary does not start at reset", found, "none", hint)
        if core.vector_alignment and not is_power_of_two(core.vector_alignment):
            found = str(core.vector_alignment)
            yield Fault((*path, "vector_alignment"), "alignment of vectors", found, "a power of two")
        if core.release and core.release.release_value & ~core.release.release_mask:
            found = format_address(core.release.release_value)
            expected = f"only bits of the mask {format_address(core.release.release_mask)}"
            yield Fault((*path, "release", "release_value"), "value outside its mask", found, expected)
        if core.release and core.release.key_value & ~core.release.key_mask:
            found = format_address(core.release.key_value)
            expected = f"only bits of the mask {format_address(core.release.key_mask)}"
            yield Fault((*path, "release", "key_value"), "value outside its mask", found, expected)


def _memories(layout: Layout) -> Iterator[Fault]:
    for memory in layout.memories.values():
        path: KeyPath = ("memory", memory.name)
        everywhere = [memory.start, *memory.aliases, *memory.views.values()]
        for start in everywhere:
            if start + memory.size > ADDRESS_SPACE:
                found = f"{format_size(memory.size)} from {format_address(start)}"
                yield Fault(
                    path, "memory ends behind the address space", found, "an end of at most 0xFFFF_FFFF"
                )
        if memory.erase_block and memory.size % memory.erase_block:
            found = f"{format_size(memory.erase_block)} blocks in {format_size(memory.size)}"
            yield Fault(
                (*path, "erase_block"), "memory is not whole erase blocks", found, "a divisor of its size"
            )
        if not is_power_of_two(memory.write_unit):
            yield Fault((*path, "write_unit"), "write unit", str(memory.write_unit), "a power of two")
    yield from _memories_apart(layout)


def _memories_apart(layout: Layout) -> Iterator[Fault]:
    """No observer may see two memories, or one twice, at the same address."""
    observers: list[str | None] = [None, *layout.cores]
    seen: set[tuple[str, str]] = set()
    for observer in observers:
        windows = [
            (memory.name, Span(start, memory.size))
            for memory in layout.memories.values()
            for start in starts_of(memory, observer)
        ]
        for (first, span), (second, other) in itertools.combinations(windows, 2):
            if span.overlaps(other) and (first, second) not in seen:
                seen.add((first, second))
                eyes = f"as {observer} sees them" if observer else "at their plain addresses or aliases"
                what = f"memories overlap {eyes}: {first} and {second}"
                yield Fault(("memory", second), what, f"{span} and {other}", "memories apart")


def _areas(layout: Layout) -> Iterator[Fault]:
    sound: dict[str, list[str]] = {}
    for area in layout.areas.values():
        memory = layout.memories[area.memory]
        if area.offset + area.size > memory.size:
            found = f"{layout.span_of(area.name)}, {format_size(area.size)}"
            expected = f"inside memory {memory.name}, {memory.span}"
            yield Fault(("area", area.name), "area ends behind its memory", found, expected)
        if memory.kind == "device":
            yield Fault(
                ("area", area.name, "memory"), "area in device registers", memory.name, "flash, ram or rom"
            )
        sound.setdefault(area.memory, []).append(area.name)
    for names in sound.values():
        for first, second in itertools.combinations(names, 2):
            span, other = layout.span_of(first), layout.span_of(second)
            if span.overlaps(other):
                what = f"areas overlap: {first} and {second} share {span.intersection(other)}"
                yield Fault(("area", second), what, f"{first} {span}, {second} {other}", "areas apart")


def _builds(layout: Layout) -> Iterator[Fault]:
    if not layout.builds:
        yield Fault(("build",), "the layout has no build", "none", "at least one [build.NAME]")
    stored: dict[str, str] = {}
    for build in layout.builds.values():
        path: KeyPath = ("build", build.name)
        for area in (build.stored_in, *build.also_stored_in):
            key = "stored_in" if area == build.stored_in else "also_stored_in"
            yield from _build_area(layout, (*path, key), build.name, area, stored)
        if build.runs_in and layout.memory_of(build.runs_in).kind != "ram":
            yield Fault(
                (*path, "runs_in"), "a copied build runs in RAM", build.runs_in, "an area of a ram memory"
            )
        if build.vector_offset + 8 > layout.areas[build.stored_in].size:
            found, expected = format_size(build.vector_offset), f"inside area {build.stored_in}"
            yield Fault((*path, "vector_offset"), "vector table behind its area", found, expected)
    for core in layout.cores.values():
        for index, area in enumerate(core.ram):
            if layout.memory_of(area).kind != "ram":
                found = f"{area} in {layout.memory_of(area).kind} {layout.memory_of(area).name}"
                yield Fault(("core", core.name, "ram", index), "not RAM", found, "an area of a ram memory")


def _build_area(
    layout: Layout, path: KeyPath, build: str, area: str, stored: dict[str, str]
) -> Iterator[Fault]:
    """Faults of one area that a build is stored in; ``stored`` gathers who has which area."""
    memory = layout.memory_of(area)
    if not memory.holds_image:
        found = f"{area} in {memory.kind} {memory.name}"
        yield Fault(path, "a build is stored in flash", found, "an area of a flash or rom memory")
    if area in stored:
        yield Fault(path, f"area already taken by build {stored[area]}", area, "an area of its own")
    purpose = layout.areas[area].purpose
    if purpose not in ("code", "data"):
        found = f"{area}, purpose {purpose}"
        yield Fault(path, "an area that is not for builds", found, "an area of purpose code or data")
    stored[area] = build


def _record_and_seal(layout: Layout) -> Iterator[Fault]:
    for path, area, purpose in (
        (("record", "area"), layout.record and layout.record.area, "record"),
        (("seal", "area"), layout.seal and layout.seal.area, "seal"),
    ):
        if area and (layout.areas[area].purpose != purpose or not layout.memory_of(area).holds_image):
            found = f"purpose {layout.areas[area].purpose} in {layout.memory_of(area).kind}"
            yield Fault(path, f"wrong area for the {purpose}", found, f"purpose {purpose} in flash")
    if layout.record and layout.record.product_class and not layout.record.vendor:
        try:
            uuid.UUID(layout.record.product_class)
        except ValueError:
            hint = "add vendor, or give class as a UUID"
            yield Fault(
                ("record", "class"),
                "a class's text needs a vendor",
                layout.record.product_class,
                "vendor",
                hint,
            )


def _ranges(layout: Layout) -> Iterator[Fault]:
    for index, checksum in enumerate(layout.checksums):
        if not checksum.over:
            yield Fault(("checksum", index, "over"), "a checksum covers something", "an empty list", "ranges")
        for key, ranges in (("over", checksum.over), ("except", checksum.exceptions)):
            for position, item in enumerate(ranges):
                yield from _range_in_image(layout, ("checksum", index, key, position), item)
    names = [stamp.name for stamp in layout.stamps] + [checksum.name for checksum in layout.checksums]
    for name in sorted({name for name in names if names.count(name) > 1}):
        expected = "a name of its own for each stamp and checksum"
        yield Fault(("checksum",), "name used twice", name, expected)


def _range_in_image(layout: Layout, path: KeyPath, item: Range) -> Iterator[Fault]:
    if isinstance(item, BuildRange):
        return
    if isinstance(item, SpanRange):
        span = Span(item.start, item.size)
        if not any(memory.holds_image and memory.span.covers(span) for memory in layout.memories.values()):
            yield Fault(path, "range is not in flash", str(span), "inside one flash or rom memory")
        return
    area = item if isinstance(item, str) else item.area
    if not layout.memory_of(area).holds_image:
        yield Fault(
            path, "range is not in flash", f"{area} in {layout.memory_of(area).kind}", "an area of flash"
        )
    if isinstance(item, AreaRange):
        size = layout.areas[area].size
        if item.offset + (item.size or 1) > size:
            found = f"offset {item.offset}, size {item.size or 'to the end'}"
            yield Fault(path, "range ends behind its area", found, f"inside {format_size(size)}")
