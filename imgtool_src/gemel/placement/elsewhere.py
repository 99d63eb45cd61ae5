"""Builds that have no byte in their own areas: whose places they are in, and which files were swapped."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.errors import Problem
from gemel.layout.addresses import locate, seen_by
from gemel.layout.model import BuildPlan, Layout
from gemel.placement.placing import Placement, area_words, build_words
from gemel.spans import format_address

RESET = 4
"""Offset in a vector table, and size in bytes, of the address of the reset handler."""


def home_of(layout: Layout, placement: Placement) -> str:
    """The other build whose area holds all bytes of one that has none in its own; empty if there is none."""
    own = placement.plan.name
    if placement.placed or not placement.pieces:
        return ""
    return next(
        (
            other.name
            for other in layout.builds.values()
            if other.name != own
            and all(layout.span_of(other.stored_in).covers(piece.span) for piece in placement.pieces)
        ),
        "",
    )


def runs_among(layout: Layout, placement: Placement, other: BuildPlan) -> bool:
    """Whether a build starts in the areas of another: its entry point is there, and no other reset handler in its own.

    A copy of the other build can hold the entry point as well, where the file is an image of both.
    """
    plan, entry, areas = placement.plan, placement.build.entry, layout.spans_of_build(other)
    start = layout.table_start(plan) + RESET
    for piece in placement.pieces:
        if piece.span.holds(start):
            offset = start - piece.address
            reset = int.from_bytes(piece.segment.data[offset : offset + RESET], "little")
            located = locate(layout, reset, plan.core) if reset & 1 else None
            if located and not any(area.holds(located.plain) for area in areas):
                return False
    places = [
        piece.address + (entry & ~1) - piece.segment.run_address
        for piece in placement.pieces
        if entry is not None and piece.segment.run_span.holds(entry & ~1)
    ]
    return any(area.holds(place) for place in places for area in areas)


def swapped(layout: Layout, placements: Mapping[str, Placement], name: str) -> tuple[str, ...]:
    """The builds whose files were given in each other's place, that of ``name`` among them, by name; else none."""
    names = [name]
    while home := home_of(layout, placements[names[-1]]) if names[-1] in placements else "":
        if home == name:
            return tuple(sorted(names))
        if home in names:
            break
        names.append(home)
    return ()


def in_words(names: tuple[str, ...]) -> str:
    """What is wrong with builds that were swapped."""
    return f"the files of builds {' and '.join(names)} are swapped"


def each_its_own(layout: Layout, placements: Mapping[str, Placement], names: tuple[str, ...]) -> str:
    """What to write instead for builds that were swapped: each with the file that is linked for its area."""
    given = {home_of(layout, placements[name]): placements[name].build.file for name in names}
    return f"give each build its own file: {' '.join(f'{name}={given[name]}' for name in names)}"


def next_step(layout: Layout, placement: Placement, placements: Mapping[str, Placement]) -> str:
    """What to do about a build that has no byte in its own area."""
    name, home = placement.plan.name, home_of(layout, placement)
    if not home:
        return (
            "the build's linker script and the layout name different origins: correct one of them, or give the right "
            "file"
        )
    there = f"all of it is in area {layout.builds[home].stored_in} of build {home}"
    if home not in placements:
        return f"{there}: is it the file of build {home}?"
    if _stored(placements[home]) == _stored(placement):
        return f"builds {name} and {home} have the same file: give build {name} its own, as {name}=FILE"
    start = seen_by(layout, layout.span_of(placement.plan.stored_in).start, placement.plan.core)
    return f"{there}: link build {name} for {format_address(start)}, or give the file that is"


def _stored(placement: Placement) -> list[tuple[int, bytes]]:
    return [(segment.load_address, bytes(segment.data)) for segment in placement.build.stored]


def problems_of(layout: Layout, placements: Mapping[str, Placement]) -> list[Problem]:
    """What is wrong with where builds are, each by itself or given in each other's place."""
    return [
        problem
        for each in placements.values()
        for problem in each.problems or (() if each.placed else _elsewhere(layout, placements, each))
    ]


def _elsewhere(layout: Layout, placements: Mapping[str, Placement], placement: Placement) -> list[Problem]:
    """A build that has no byte in its own area; of files that were swapped the first one names all."""
    plan, names = placement.plan, swapped(layout, placements, placement.plan.name)
    if names and plan.name != names[0]:
        return []
    builds = [placements[name] for name in names] or [placement]
    return [
        Problem(
            in_words(names) if names else f"build {plan.name} has no byte in its own area",
            where=", ".join(build_words(each.plan, each.build) for each in builds),
            found="; ".join(
                (f"{each.build.file} holds " if names else "")
                + (", ".join(str(piece.span) for piece in each.pieces[:4]) or "no bytes")
                for each in builds
            ),
            expected="; ".join(area_words(layout, each.plan) for each in builds),
            next_step=each_its_own(layout, placements, names)
            if names
            else next_step(layout, placement, placements),
        )
    ]
