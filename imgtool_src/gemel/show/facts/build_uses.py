"""Each build of the layout: where it is, how that is known, and what RAM it claims."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import ram_of
from gemel.layout.model import BuildPlan
from gemel.show.facts.contents import BuildUse, Overlay
from gemel.show.facts.used_bytes import content_runs, has_content, per_cent, size_of
from gemel.show.facts.values import written_places
from gemel.spans import Address, Span, without

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section


def overlays_of(build: Build) -> list[list[Section]]:
    """The allocated sections that begin at one run address, by address, two or more of them each."""
    sections = build.all_sections
    used = sorted(
        (each for each in sections if each.allocated and each.span.size), key=lambda each: each.span.start
    )
    groups = [list(group) for _, group in groupby(used, key=lambda each: each.span.start)]
    return [group for group in groups if len(group) > 1]


def load_span_of(build: Build, section: Section) -> Span | None:
    """Where the bytes of a section are stored; None if the file has none for it."""
    for segment in build.stored if section.stored else ():
        offset = section.offset - segment.file_offset
        if 0 <= offset <= len(segment.data) - section.span.size:
            return Span(segment.load_address + offset, section.span.size)
    return None


def build_uses(inspection: Inspection) -> tuple[BuildUse, ...]:
    """One entry for each build of the layout, in its order."""
    return tuple(_build_use(inspection, name, plan) for name, plan in inspection.layout.builds.items())


def stored_in_image(inspection: Inspection, name: str) -> Span | None:
    """Where the image holds the build; None if it does not.

    A build that is only guessed reaches from the first to the last byte of its area that is not erased
    and belongs to no stamp or checksum.
    """
    found = inspection.placed_with_origin.get(name)
    if found is None:
        return None
    placed, origin = found
    erased = inspection.erased_byte_at(placed.stored.start)
    if origin != "layout":
        return placed.stored if has_content(inspection.image, placed.stored, erased) else None
    others = [place for _, _, place in written_places(inspection)]
    rests = without([placed.stored], others)
    runs = [run for rest in rests for run in content_runs(inspection.image, rest, erased)]
    return Span.from_bounds(runs[0].start, runs[-1].end) if runs else None


def _build_use(inspection: Inspection, name: str, plan: BuildPlan) -> BuildUse:
    file = inspection.builds[name].file if name in inspection.builds else None
    role = inspection.layout.cores[plan.core].role
    ram = claimed_ram(inspection, name, plan)
    stored = stored_in_image(inspection, name)
    if stored is None:
        return BuildUse(
            name,
            plan.core,
            role,
            plan.stored_in,
            "nothing",
            file,
            *(None,) * 5,
            ram=ram,
            overlays=_overlays(inspection, name),
        )
    placed, origin = inspection.placed_with_origin[name]
    return BuildUse(
        name=name,
        core=plan.core,
        role=role,
        area=plan.stored_in,
        known_from=origin,
        file=file,
        stored=stored,
        per_cent=per_cent(stored.size, inspection.layout.areas[plan.stored_in].size),
        run=Span(placed.run_address(stored.start), stored.size),
        vectors=Address(placed.vector_address),
        build_id=placed.build_id,
        ram=ram,
        overlays=_overlays(inspection, name),
    )


def _overlays(inspection: Inspection, name: str) -> tuple[Overlay, ...]:
    build = inspection.builds.get(name)
    if build is None:
        return ()
    return tuple(
        Overlay(section.name, section.span, load_span_of(build, section))
        for group in overlays_of(build)
        for section in group
    )


def claimed_ram(inspection: Inspection, name: str, plan: BuildPlan) -> int | None:
    """Bytes of the layout's RAM that the build takes at run time; None if its file does not show it."""
    build = inspection.builds.get(name)
    if build is None or build.reason_for("RAM use"):
        return None
    return size_of(ram_of(inspection.layout, plan, build))
