"""From layout, image and builds to the plan of an emulated device."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from gemel.errors import GemelError, Problem
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import owned_areas
from gemel.layout.addresses import locate, seen_by, starts_of
from gemel.layout.model import BuildPlan, Core, Layout, Memory
from gemel.layout.rehearsal_model import DEFAULT_BUDGET, RehearsalPlan, described_registers
from gemel.m_profile.capabilities import lacking
from gemel.placement.placed import has_vectors
from gemel.rehearsal.emulator.core.backing import touched_pages
from gemel.rehearsal.plan import (
    FILL,
    PAGE,
    CopiedBuild,
    CorePlan,
    DevicePlan,
    MemoryKind,
    MemoryPlan,
    MemoryView,
    ReleasePlan,
)
from gemel.rehearsal.setup.core_setup import (
    as_seen,
    closed_spans,
    emulated_as,
    executable_spans,
    goals_of,
    loadable_spans,
    profile_notes,
    stack_limit_of,
)
from gemel.spans import Span, format_address, format_size, without

MAX_MEMORY = 256 << 20
"""Bytes of memory that a rehearsal takes at most, 256 MiB."""


class CannotRehearse(GemelError):
    """The device of this layout cannot be emulated, or the image has nothing to start."""


def plan_of(
    inspection: Inspection, budget: int | None = None, watches: tuple[str, ...] = (), exact: bool = True
) -> DevicePlan:
    """The device that ``inspection`` describes, with the image in its memories.

    Raises CannotRehearse with everything that keeps it from being emulated.
    """
    layout = inspection.layout
    described = layout.rehearsal or RehearsalPlan()
    problems = [*_size_problems(layout), *_page_problems(layout)]
    goals, goal_problems = goals_of(inspection, described)
    problems += goal_problems
    if problems:
        raise CannotRehearse(problems)
    return DevicePlan(
        memories=tuple(
            _memory(inspection, each) for each in layout.memories.values() if each.kind != "device"
        ),
        cores=tuple(_core(inspection, core, described) for core in layout.cores.values()),
        registers=described,
        goals=goals,
        budget=budget or (layout.rehearsal.budget if layout.rehearsal else DEFAULT_BUDGET),
        shared=tuple(
            (area.name, area.memory, area.offset, area.size)
            for area in layout.areas.values()
            if area.purpose == "shared" and layout.memories[area.memory].kind == "ram"
        ),
        watches=watches,
        exact=exact,
        notes=tuple(note for core in layout.cores.values() for note in profile_notes(core)),
    )


def _size_problems(layout: Layout) -> Iterator[Problem]:
    size = sum(memory.size for memory in layout.memories.values() if memory.kind != "device")
    if size <= MAX_MEMORY:
        return
    yield Problem(
        "the device has more memory than a rehearsal emulates",
        found=format_size(size),
        expected=f"at most {format_size(MAX_MEMORY)}",
        next_step="describe for the rehearsal only the part of a large memory that the cores use",
    )


def _page_problems(layout: Layout) -> Iterator[Problem]:
    """Memories that share a page of the emulator, or that have different places in theirs for different cores."""
    for core in layout.cores.values():
        placed = sorted(
            (touched_pages(Span(start, memory.size)), memory.name)
            for memory in layout.memories.values()
            for start in starts_of(memory, core.name)
        )
        for (first, name), (second, other) in pairwise(placed):
            if second.start < first.end:
                found = f"memories {name} and {other} for core {core.name} at {format_address(second.start)}"
                yield Problem(
                    "two memories share a page of the emulator",
                    found=found,
                    expected=f"each page of {PAGE:,} bytes in one memory",
                    next_step="correct the memories of the layout",
                )
    for memory in layout.memories.values():
        starts = {start for core in layout.cores for start in starts_of(memory, core)}
        if memory.kind != "device" and len({start % PAGE for start in starts}) > 1:
            found = ", ".join(format_address(start) for start in sorted(starts))
            yield Problem(
                f"views of memory {memory.name} that cannot be mapped",
                found=found,
                expected=f"addresses apart by whole pages of {PAGE:,} bytes",
                next_step="correct the memories of the layout",
            )


def _memory(inspection: Inspection, memory: Memory) -> MemoryPlan:
    if memory.kind == "ram":
        return MemoryPlan(memory.name, "ram", memory.size, FILL, ())
    pieces = tuple(
        (address - memory.start, bytes(piece)) for address, piece in inspection.image.pieces(memory.span)
    )
    kind: MemoryKind = "rom" if memory.kind == "rom" else "flash"
    erased = bytes((memory.erased_byte,))
    return MemoryPlan(
        memory.name, kind, memory.size, erased, pieces, memory.erase_block or 1, memory.write_unit
    )


def _core(inspection: Inspection, core: Core, described: RehearsalPlan) -> CorePlan:
    layout = inspection.layout
    windows = tuple(
        MemoryView(start, memory.name, memory.size)
        for memory in layout.memories.values()
        if memory.kind != "device"
        for start in starts_of(memory, core.name)
    )
    guarded = tuple(
        (span, mutex.guards)
        for mutex in described.mutexes
        if mutex.guards
        for span in as_seen(layout, layout.span_of(mutex.guards), core.name)
    )
    return CorePlan(
        name=core.name,
        primary=core.role == "primary",
        architecture=core.architecture,
        extensions=core.extensions,
        emulated_as=emulated_as(core),
        lacks=tuple(sorted(lacking(core.architecture, core.extensions))),
        interrupts=core.interrupts,
        windows=windows,
        devices=tuple(_devices(layout, core.name, described)),
        executable=tuple(executable_spans(inspection, core)),
        loadable=tuple(loadable_spans(inspection, core)),
        closed=tuple(closed_spans(inspection, core)),
        guarded=guarded,
        stack_limit=stack_limit_of(inspection, core.name),
        own_ram=tuple(_own_ram(layout, core.name)),
        vectors=_reset_vectors(layout, core) if core.role == "primary" else _table(inspection, core),
        release=_release(inspection, core) if core.release else None,
    )


def _devices(layout: Layout, core: str, described: RehearsalPlan) -> list[tuple[Span, int]]:
    found = [
        (Span(start, memory.size), memory.start)
        for memory in layout.memories.values()
        if memory.kind == "device"
        for start in starts_of(memory, core)
    ]
    for address in register_addresses(layout, described):
        if not any(span.holds(seen_by(layout, address, core)) for span, _ in found):
            found.append((Span(address & ~3, 4), address & ~3))
    return found


def register_addresses(layout: Layout, described: RehearsalPlan) -> list[int]:
    """The plain addresses of all registers that the layout describes."""
    addresses = [
        register
        for core in layout.cores.values()
        if core.release
        for register in (core.release.vector_register, core.release.control_register)
    ]
    addresses += [address for _, address in described_registers(described)]
    return sorted(set(addresses))


def _own_ram(layout: Layout, core: str) -> list[tuple[str, str, int, int]]:
    return [
        (name, layout.areas[name].memory, layout.areas[name].offset, layout.areas[name].size)
        for name in owned_areas(layout, core)
    ]


def _reset_vectors(layout: Layout, core: Core) -> int:
    """Where the primary fetches its vectors: as the layout says, else from its lowest build with code."""
    if core.reset_vectors is not None:
        return core.reset_vectors
    starts = [
        layout.table_start(plan)
        for plan in layout.builds.values()
        if plan.core == core.name and has_vectors(layout, plan.name)
    ]
    if not starts:
        expected = "a build of the primary in an area of purpose code, or reset_vectors of the core"
        raise CannotRehearse(
            f"nothing says where core {core.name} starts", expected=expected, next_step="correct the layout"
        )
    return seen_by(layout, min(starts), core.name)


def _table(inspection: Inspection, core: Core) -> int | None:
    """Where the vector table of a secondary's build is, the lowest one of several; None where nothing shows it."""
    tables = [
        inspection.placed[plan.name].vector_address
        for plan in inspection.layout.builds.values()
        if plan.core == core.name
        and has_vectors(inspection.layout, plan.name)
        and plan.name in inspection.placed
    ]
    return min(tables, default=None)


def _release(inspection: Inspection, core: Core) -> ReleasePlan | None:
    release, layout = core.release, inspection.layout
    if release is None:
        return None
    return ReleasePlan(
        release.vector_register,
        release.control_register,
        release.release_mask,
        release.release_value,
        release.key_mask,
        release.key_value,
        _table(inspection, core),
        tuple(
            copied
            for plan in layout.builds.values()
            if plan.core == core.name and plan.runs_in
            for copied in _copied(inspection, plan)
        ),
    )


def _copied(inspection: Inspection, plan: BuildPlan) -> list[CopiedBuild]:
    """What must be in the area that a build is copied to: its bytes as the image stores them."""
    placed, layout = inspection.placed.get(plan.name), inspection.layout
    if placed is None:
        return []
    located = locate(layout, placed.run_start, plan.core)
    if located is None:
        return []
    stored = [placed.stored]
    placement = inspection.placements.get(plan.name)
    if placement is not None and placement.build.kind == "elf":
        # The fill after the build's own bytes need not be copied.
        holes = without([placed.stored], [segment.load_span for segment in placement.build.stored])
        stored = without([placed.stored], holes)
    pieces = tuple(
        (located.offset + span.start - placed.stored.start, inspection.bytes_of(span)) for span in stored
    )
    return [CopiedBuild(plan.name, located.memory.name, pieces)]
