"""What of a release is certain: the run of the primary's start-up code does it, and nothing else makes up for it."""

from __future__ import annotations

import struct
from itertools import chain

from gemel.inspection.cores.code_settings import CoreCode
from gemel.inspection.cores.vector_tables import addresses_of_table
from gemel.inspection.cores.views import in_execute_never, run_span, stack_area
from gemel.inspection.inspection import Inspection
from gemel.inspection.start_up.started import release_write
from gemel.layout.addresses import locate, plain_span
from gemel.layout.model import Core, Layout, Release
from gemel.m_profile.bit_band import aliases_of_bits
from gemel.m_profile.vector_tables import MIN_ALIGNMENT
from gemel.placement.placed import PlacedBuild
from gemel.spans import Span, offsets_of

NEAR, PAGE = 16, 0x1000
"""Bytes around a register, and between its aliases, where devices have others that set or clear its bits."""


def is_released_in_run(inspection: Inspection, code: CoreCode, release: Release) -> bool:
    """Whether start-up code as it runs writes the control register, and no boot ROM may do so before or after it."""
    run = inspection.start_runs.get(code.plan.name)
    if run is None or run.why_not or any(each.kind == "rom" for each in inspection.layout.memories.values()):
        return False
    return any(store.target == release.control_register for store in run.stores)


def is_released_in_run_alone(inspection: Inspection, codes: list[CoreCode], release: Release) -> bool:
    """Whether each store to the control register is one of the run, and no other way to its bits is in sight."""
    executed = {
        store.at
        for code in codes
        if (run := inspection.start_runs.get(code.plan.name))
        for store in run.stores
        if store.target == release.control_register
    }
    known = {each.store.at for code in codes for each in code.of(release.control_register)}
    return known <= executed and not any(_may_write_otherwise(inspection, code, release) for code in codes)


def _may_write_otherwise(inspection: Inspection, code: CoreCode, release: Release) -> bool:
    """Whether data may be a pointer to the control register, or a register near it sets or clears its bits."""
    from gemel.inspection.code.core_settings import function_span_at, settings_of

    register, build = release.control_register, code.build
    others = _registers(inspection.layout)
    near = frozenset(
        at
        for page in range(-3, 4)
        for at in range(register + page * PAGE - NEAR, register + page * PAGE + NEAR + 4, 4)
        if at not in others and 0 <= at < 1 << 32
    )
    bands = aliases_of_bits(register)
    run = inspection.start_runs.get(code.plan.name)
    stores = chain(run.stores if run else (), (each.store for each in settings_of(build, near)))
    targets = {store.target for store in stores if isinstance(store.target, int)}
    if targets & near or any(span.holds(target) for span in bands for target in targets):
        return True
    return any(
        function_span_at(build, segment.run_address + at) is None
        for segment in build.stored
        for at in offsets_of(struct.pack("<I", register), segment.data, 1)
    )


def not_copied(inspection: Inspection, code: CoreCode, core: Core, release: Release) -> PlacedBuild | None:
    """The copied build of a core that nothing has copied where start-up code as it runs releases the core.

    None where code that is not seen may have done so: a device with an address in that area, or other builds or cores.
    """
    layout, own = inspection.layout, code.plan.core
    run = inspection.start_runs.get(code.plan.name)
    copied = [each for each in layout.builds_of(core.name) if each.runs_in and each.name in inspection.placed]
    if run is None or len(layout.cores) > 2 or len(layout.builds_of(own)) > 1 or len(copied) != 1:
        return None
    area, placed = layout.span_of(copied[0].runs_in or ""), inspection.placed[copied[0].name]
    table = plain_span(layout, Span(placed.vector_address, 8), core.name)
    given = {store.value for store in run.stores if store.target not in _registers(layout)}
    vectors = inspection.vector_table(copied[0].name)
    own_words = vectors.words[:2] if vectors else ()
    given |= {word for words in run.described if words[:2] != own_words for word in words}
    if (
        table is None
        or not area.covers(table)
        or any(_reaches(layout, own, value, [area]) for value in given if value is not None)
    ):
        return None
    filled = {at for watched, at, is_zero in run.filled if watched == release_write(release) and not is_zero}
    is_seen = any(_reaches(layout, own, at, [table]) for at in filled)
    return None if is_seen else placed


def _registers(layout: Layout) -> set[int]:
    releases = [core.release for core in layout.secondaries() if core.release]
    return {at for each in releases for at in (each.control_register, each.vector_register)}


def cannot_start(inspection: Inspection, core: Core, address: int) -> bool:
    """Whether a core that takes its vectors from there does not come to its own build.

    There is a device, or flash without a stack pointer and a handler, or another core's table, from which no run goes
    into this core's build.  Of RAM and of what the layout has no memory for that is not known.
    """
    layout, name = inspection.layout, core.name
    located = locate(layout, address, name)
    if located is None or located.memory.kind != "flash":
        return in_execute_never(address) is not None or (
            located is not None and located.memory.kind == "device"
        )
    starts = [each.vector_address for each in inspection.placed.values() if each.core == name]
    if any(0 < address - start < MIN_ALIGNMENT for start in starts):
        return False  # hardware may ignore these bits
    if located.offset + 8 > located.memory.size:
        return True
    pointer, reset = inspection.word_at(located.plain), inspection.word_at(located.plain + 4)
    if not reset & 1 or (
        stack_area(inspection, name, pointer) is None and locate(layout, reset, name) is None
    ):
        return True
    own = [run_span(inspection, placed) for placed in inspection.placed.values() if placed.core == name]
    return any(
        placed.core != name
        and address in addresses_of_table(layout, layout.builds[placed.name], placed)
        and (run := inspection.start_runs.get(placed.name)) is not None
        and not run.why_not
        and not any(_reaches(layout, placed.core, end.at, own) for end in run.ends)
        for placed in inspection.placed.values()
    )


def _reaches(layout: Layout, core: str, address: int, spans: list[Span]) -> bool:
    located = locate(layout, address, core)
    return located is not None and any(span.holds(located.plain) for span in spans)
