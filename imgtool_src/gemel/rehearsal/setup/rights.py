"""What a core may execute and what it must not write, from the layout and the given builds."""

from __future__ import annotations

from gemel.builds.build import Build
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import owned_areas
from gemel.layout.addresses import locate, starts_of
from gemel.layout.model import Core, Layout
from gemel.rehearsal.plan import NEVER_EXECUTED, Closed
from gemel.spans import Span, merge, without


def as_seen(layout: Layout, plain: Span, core: str) -> list[Span]:
    """Every place at which ``core`` sees a plain span of one memory."""
    located = locate(layout, plain.start)
    if located is None:
        return [plain]
    return [Span(start + located.offset, plain.size) for start in starts_of(located.memory, core)]


def executable_spans(inspection: Inspection, core: Core) -> list[Span]:
    """Where the core's code may be, as it sees it.

    Rom, and areas of purpose code that are not another core's; of those that hold given builds as ELF files
    only what these files mark as executable, wherever that runs.
    """
    layout = inspection.layout
    plain = [memory.span for memory in layout.memories.values() if memory.kind == "rom"]
    plain += [layout.span_of(area) for area in _code_areas(inspection, core)]
    seen = [span for each in plain for span in as_seen(layout, each, core.name)]
    for build in _elf_builds(inspection, core.name).values():
        for segment in build.segments:
            if segment.executable and segment.memory_size:
                located = locate(layout, segment.run_address, core.name)
                seen.append(segment.run_span)
                if located:
                    seen += as_seen(layout, Span(located.plain, segment.memory_size), core.name)
    return merge(seen)


def loadable_spans(inspection: Inspection, core: Core) -> list[Span]:
    """RAM from which the core may run what was written there: all that is not another core's own.

    Addresses that the default memory map never executes are left out.
    """
    layout = inspection.layout
    ram = [memory for memory in layout.memories.values() if memory.kind == "ram"]
    seen = [Span(start, memory.size) for memory in ram for start in starts_of(memory, core.name)]
    others = [
        span
        for other in layout.cores
        if other != core.name
        for area in owned_areas(layout, other)
        for span in as_seen(layout, layout.span_of(area), core.name)
    ]
    return without(merge(seen), [*others, *NEVER_EXECUTED])


def _code_areas(inspection: Inspection, core: Core) -> list[str]:
    """The areas of purpose code in which the core may execute anything."""
    layout = inspection.layout
    with_elf = _elf_builds(inspection, core.name)
    own, others, known = set(owned_areas(layout, core.name)), set[str](), set[str]()
    for name, plan in layout.builds.items():
        areas = {plan.stored_in, plan.runs_in or plan.stored_in}
        if plan.core != core.name:
            others |= areas
            continue
        own |= areas
        known |= areas if name in with_elf else set()
    for other in layout.cores:
        others |= set(owned_areas(layout, other)) if other != core.name else set()
    return [
        area.name
        for area in layout.areas.values()
        if area.purpose == "code" and area.name not in known and (area.name in own or area.name not in others)
    ]


def _elf_builds(inspection: Inspection, core: str) -> dict[str, Build]:
    """The core's given builds that say what of them is code."""
    return {
        name: placement.build
        for name, placement in inspection.placements.items()
        if inspection.layout.builds[name].core == core and placement.build.kind == "elf"
    }


def closed_spans(inspection: Inspection, core: Core) -> list[Closed]:
    """Other cores' RAM, and code of this core that was copied to RAM."""
    layout = inspection.layout
    closed = []
    for other in layout.cores.values():
        if other.name == core.name:
            continue
        copied = {plan.runs_in for plan in layout.builds.values() if plan.core == other.name and plan.runs_in}
        for area in owned_areas(layout, other.name):
            after = other.name if area in copied and core.role == "primary" else ""
            for span in as_seen(layout, layout.span_of(area), core.name):
                closed.append(Closed(span, "write-to-other-core", area, after))
    for name, build in _elf_builds(inspection, core.name).items():
        for segment in build.segments if layout.builds[name].runs_in else ():
            if segment.executable and not segment.writable and segment.data:
                closed.append(Closed(segment.run_span, "write-to-own-code", name))
    return closed
