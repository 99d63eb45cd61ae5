"""What a layout says of its areas and of what is in them: builds, record, seal."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.copy_model import CopiedBy
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import BuildPlan, Layout, Memory, RecordPlan
from gemel.spans import Span, format_address, format_size, overlapping
from gemel.uuids import uuid_in

RECORD_MAX_BUILDS = 16
RECORD_ALIGNMENT = 4
RECORD_HEAD, RECORD_ENTRY = 196, 160
"""Bytes of a record without entries and of an entry; the tests hold all four to the record's format."""

SMALL = 4096
"""Numbers below this one are likely meant in KiB where they are no whole number of erase blocks."""

MIN_VECTORS_SIZE = 8
"""Bytes of the two words that a core reads at its start: stack pointer and reset handler."""


def ends_after_memory(layout: Layout, name: str) -> bool:
    """Whether an area ends after its memory: what is at its places is not looked at then."""
    area = layout.areas[name]
    return area.offset + area.size > layout.memories[area.memory].size


def in_kib(size: int, memory: Memory) -> str:
    """The question whether a small number, which is no whole number of blocks, is one of KiB."""
    if not 0 < size < SMALL or size % (memory.erase_block or 1024) == 0:
        return ""
    return f'{size} is a number of bytes: is "{size} KiB" meant?'


def area_faults(layout: Layout) -> Iterator[LayoutFault]:
    """Areas that are not inside one memory, or not apart."""
    by_memory: dict[str, list[tuple[Span, str]]] = {}
    after: dict[str, list[str]] = {}
    for name, area in layout.areas.items():
        if ends_after_memory(layout, name):
            after.setdefault(area.memory, []).append(name)
    for name, areas_after in after.items():
        if areas_after[1:]:
            yield _too_small(layout, layout.memories[name], areas_after)
    for area in layout.areas.values():
        memory, span = layout.memories[area.memory], layout.span_of(area.name)
        if after.get(area.memory) == [area.name]:
            yield LayoutFault(
                ("area", area.name),
                "area ends after its memory",
                found=f"{span}, {format_size(area.size)}",
                expected=f"inside memory {memory.name}, {memory.span}",
                next_step=in_kib(memory.size, memory),
            )
        if memory.kind == "device":
            path: KeyPath = ("area", area.name, "memory")
            yield LayoutFault(
                path,
                "area in device registers",
                found=memory.name,
                expected="a memory of kind flash, ram or rom",
                next_step="name another memory, or correct the kind of this one",
            )
        by_memory.setdefault(area.memory, []).append((span, area.name))
    for areas in by_memory.values():
        for (span, first), (other, second) in overlapping(sorted(areas)):
            yield LayoutFault(
                ("area", second),
                f"areas overlap: {first} and {second} share {span.intersection(other)}",
                found=f"{first} {span}, {second} {other}",
                expected="separate areas",
                next_step=next(
                    (hint for name in (second, first) if (hint := _offset_in_kib(layout, name))),
                    _apart(first, span, second, other, layout.memory_of(first).start),
                ),
            )


def _too_small(layout: Layout, memory: Memory, areas: list[str]) -> LayoutFault:
    """A memory that ends before several of its areas: its size is more likely wrong than all of these."""
    end = max(layout.areas[name].offset + layout.areas[name].size for name in areas)
    return LayoutFault(
        ("memory", memory.name, "size"),
        f"memory {memory.name} ends before {len(areas)} of its areas: {', '.join(areas[:4])}"
        + (" and more" if areas[4:] else ""),
        found=format_size(memory.size),
        expected=f"at least {format_size(end)}, or areas that end earlier",
        next_step=in_kib(memory.size, memory),
    )


def _apart(first: str, span: Span, second: str, other: Span, base: int) -> str:
    """How the two areas no longer overlap; the ``first`` begins first, their memory at ``base``."""
    step = f"move {second} (offset = {_in_layout(span.end - base)} or more)"
    if other.start > span.start:
        step = f"make {first} smaller (size = {_in_layout(other.start - span.start)} or less), or {step}"
    return step


def _in_layout(size: int) -> str:
    return f"{size:,}".replace(",", "_") if size % 1024 else f'"{size // 1024} KiB"'


def _offset_in_kib(layout: Layout, name: str) -> str:
    area = layout.areas[name]
    return in_kib(area.offset, layout.memories[area.memory])


def build_faults(layout: Layout) -> Iterator[LayoutFault]:
    """Builds that are where no build can be, or where another is."""
    if not layout.builds:
        yield LayoutFault(
            ("build",),
            "the layout has no build",
            found="none",
            expected="at least one [build.NAME]",
            next_step="gemel draft NAME=BUILD ... writes a layout with its builds",
        )
    taken: dict[str, str] = {}
    runners: dict[str, str] = {}
    for build in layout.builds.values():
        path: KeyPath = ("build", build.name)
        yield from _stored(layout, (*path, "stored_in"), build.name, build.stored_in, taken)
        for index, area in enumerate(build.also_stored_in):
            yield from _stored(layout, (*path, "also_stored_in", index), build.name, area, taken)
        if build.runs_in is not None:
            yield from _running(layout, (*path, "runs_in"), build, build.runs_in, runners)
        if build.copied_by:
            yield from _copied(layout, (*path, "copied_by"), build, build.copied_by)
        size = layout.areas[build.stored_in].size
        if build.vector_offset + MIN_VECTORS_SIZE > size:
            yield LayoutFault(
                (*path, "vector_offset"),
                "vector table after its area",
                found=f"0x{build.vector_offset:X}",
                expected=f"inside area {build.stored_in} of {format_size(size)}",
                next_step="correct vector_offset, or the size of the area",
            )
        if build.vector_offset % 4:
            yield LayoutFault(
                (*path, "vector_offset"),
                "vector table not at a word",
                found=f"0x{build.vector_offset:X}",
                expected="a multiple of 4",
                next_step="correct vector_offset: it counts bytes from the start of the build",
            )


def _stored(
    layout: Layout, path: KeyPath, build: str, area: str, taken: dict[str, str]
) -> Iterator[LayoutFault]:
    """Faults of one area that a build is stored in; ``taken`` gathers who has which area."""
    memory, purpose = layout.memory_of(area), layout.areas[area].purpose
    if not memory.holds_image:
        yield LayoutFault(
            path,
            "a build is stored in flash",
            found=f"{area}, in {memory.words}",
            expected="an area of a flash or rom memory",
            next_step="where it runs is said with runs_in" if memory.kind == "ram" else "",
        )
    if purpose not in ("code", "data"):
        yield _not_for_builds(path, area, purpose)
    if area in taken:
        yield LayoutFault(
            path,
            f"area already taken by build {taken[area]}",
            found=area,
            expected="an area of its own",
            next_step=_free(layout, build),
        )
    taken.setdefault(area, build)


def _not_for_builds(path: KeyPath, area: str, purpose: str) -> LayoutFault:
    return LayoutFault(
        path,
        "an area that is not for builds",
        found=f"{area}, purpose {purpose}",
        expected="an area of purpose code or data",
        next_step="name another area, or correct its purpose",
    )


def _free(layout: Layout, build: str) -> str:
    """The areas of flash that no build is in, of purpose code first, as what a build could be stored in."""
    used = {area for each in layout.builds.values() for area in (each.stored_in, *each.also_stored_in)}
    free = [
        name
        for purpose in ("code", "data")
        for name, each in layout.areas.items()
        if each.purpose == purpose and name not in used and layout.memory_of(name).holds_image
    ]
    return f"no build is in {', '.join(free[:4])}" if free else f"add an area for build {build}"


def _running(
    layout: Layout, path: KeyPath, build: BuildPlan, area: str, runners: dict[str, str]
) -> Iterator[LayoutFault]:
    """Faults of the area a build runs in; ``runners`` gathers which core runs code in which area."""
    memory, purpose = layout.memory_of(area), layout.areas[area].purpose
    if memory.kind != "ram":
        yield LayoutFault(
            path,
            "a copied build runs in RAM",
            found=f"{area}, in {memory.words}",
            expected="an area of a ram memory",
            next_step="a build that runs where it is stored has no runs_in",
        )
    elif purpose not in ("code", "data"):
        yield _not_for_builds(path, area, purpose)
    if runners.setdefault(area, build.core) != build.core:
        yield LayoutFault(
            path,
            "two cores run code in one area",
            found=f"{area}, where core {runners[area]} runs code",
            expected="an area of its own",
            next_step="add an area of ram for one of the builds",
        )
    owner = next((core.name for core in layout.cores.values() if area in core.ram), build.core)
    if owner != build.core:
        yield LayoutFault(
            path,
            "a build runs in another core's RAM",
            found=f"{area}, of core {owner}",
            expected=f"an area of core {build.core}, or of none",
            next_step=f"name another area, or take {area} out of the ram of core {owner}",
        )


def _copied(layout: Layout, path: KeyPath, build: BuildPlan, copied: CopiedBy) -> Iterator[LayoutFault]:
    if build.runs_in is None:
        yield LayoutFault(
            path,
            "a build that runs where it is stored is not copied",
            found="no runs_in",
            expected="runs_in, or no copied_by",
            next_step="add runs_in, the area of RAM that it is copied to, or take copied_by out",
        )
    core = layout.cores[layout.builds[copied.build].core]
    if core.role != "primary":
        yield LayoutFault(
            (*path, "build"),
            "the primary copies a build",
            found=f"{copied.build} of core {core.name}",
            expected="a build of the primary",
            next_step="name the build whose code copies it",
        )
    if not copied.symbols:
        expected = "source, destination or length"
        yield LayoutFault(path, "no constant of the copy is named", found="only build", expected=expected)


def record_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with where record and seal go and with whom the record names."""
    record, seal = layout.record, layout.seal
    if record:
        yield from _area_for(layout, "record", record.area)
        yield from _record_size(layout, record)
        yield from _class_without_vendor(record)
    if seal:
        yield from _area_for(layout, "seal", seal.area)
        yield from _further_seal_areas(layout, seal.area)


def _further_seal_areas(layout: Layout, used: str) -> Iterator[LayoutFault]:
    """Areas of purpose seal that [seal] does not name: nobody would say what may be in them."""
    if layout.areas[used].purpose != "seal":
        return
    for area in layout.areas.values():
        if area.purpose == "seal" and area.name != used:
            yield LayoutFault(
                ("area", area.name, "purpose"),
                "a second area for a seal, which no digest and no signature would cover",
                found=f"{area.name}, next to {used}",
                expected="one area of purpose seal: that of [seal]",
                next_step="take it out, or give it another purpose",
            )


def _area_for(layout: Layout, purpose: str, area: str) -> Iterator[LayoutFault]:
    memory, found = layout.memory_of(area), layout.areas[area].purpose
    if found != purpose or not memory.holds_image:
        yield LayoutFault(
            (purpose, "area"),
            f"wrong area for the {purpose}",
            found=f"{area}, purpose {found}, in {memory.words}",
            expected=f"purpose {purpose}, in flash",
            next_step=f"name an area of purpose {purpose} in flash, or correct the purpose of {area}",
        )


def _record_size(layout: Layout, record: RecordPlan) -> Iterator[LayoutFault]:
    count, area = len(layout.builds), layout.span_of(record.area)
    if count > RECORD_MAX_BUILDS:
        what = "more builds than a record can hold"
        yield LayoutFault(("record",), what, found=str(count), expected=f"at most {RECORD_MAX_BUILDS}")
    if (needed := RECORD_HEAD + count * RECORD_ENTRY) > area.size:
        yield LayoutFault(
            ("record", "area"),
            f"a record of {count} builds does not fit",
            found=f"{record.area} of {format_size(area.size)}",
            expected=f"at least {needed:,} bytes",
            next_step="make the area larger",
        )
    if area.start % RECORD_ALIGNMENT:
        yield LayoutFault(
            ("record", "area"),
            "the record's area is not aligned",
            found=format_address(area.start),
            expected=f"a start at a multiple of {RECORD_ALIGNMENT}",
            next_step="correct the offset of the area, or the start of its memory",
        )


def _class_without_vendor(record: RecordPlan) -> Iterator[LayoutFault]:
    if record.product_class and not record.vendor and not uuid_in(record.product_class):
        yield LayoutFault(
            ("record", "class"),
            "a class given as text needs a vendor",
            found=record.product_class,
            expected="vendor",
            next_step="add vendor, or give class as a UUID",
        )


def security_faults(layout: Layout) -> Iterator[LayoutFault]:
    """Attributions that no core can see, and areas that cannot be called into."""
    extended = any("security" in core.extensions for core in layout.cores.values())
    stating = [area for area in layout.areas.values() if area.security]
    if stating and not extended:
        others = f" ({len(stating)} areas in all)" if len(stating) > 1 else ""
        yield LayoutFault(
            ("area", stating[0].name, "security"),
            "no core distinguishes secure from non-secure",
            found=f"{stating[0].security}{others}",
            expected='a core with "security" among its extensions',
            next_step='add "security" to the core that has it, or take security out of the area',
        )
    for area in stating:
        path: KeyPath = ("area", area.name, "security")
        if area.security == "non-secure-callable" and area.purpose != "code":
            found = f"{area.security}, purpose {area.purpose}"
            hint = "only the veneers belong there: give them an area of their own"
            yield LayoutFault(
                path, "an area to call into holds code", found=found, expected="purpose code", next_step=hint
            )
