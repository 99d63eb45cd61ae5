"""Rule ``erase-blocks-apart``: what is updated apart shares no erase block."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from gemel.check.rule import Finding, NotChecked, Outcome, Rule
from gemel.check.subject import Subject
from gemel.check.wording import builds_stored_in, concerned, found_or_holds, owners_of, sized
from gemel.layout.model import Area, Layout, Memory
from gemel.spans import Span, align_down, format_size

WRITTEN_TOGETHER = ("record", "seal")
"""Purposes of areas that every update writes anew, so that they may share a block with each other."""


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome for each flash memory with areas, one finding for each two neighbours in one block."""
    layout = subject.layout
    for memory in layout.memories.values():
        areas = [area for area in layout.areas.values() if area.memory == memory.name]
        if memory.kind != "flash" or not areas:
            continue
        where = f"memory {memory.name}"
        if memory.erase_block is None:
            yield NotChecked(where, f"needs erase_block in [memory.{memory.name}] of the layout")
            continue
        findings = (
            _finding(layout, memory, block, first, second)
            for block, first, second in _neighbours(layout, memory, memory.erase_block, areas)
        )
        yield from found_or_holds(findings, where)


def _neighbours(
    layout: Layout, memory: Memory, size: int, areas: list[Area]
) -> Iterator[tuple[Span, Area, Area]]:
    """Each erase block with two areas that follow each other in it and are updated apart."""
    by_block: dict[int, list[Area]] = {}
    for area in sorted(areas, key=lambda area: area.offset):
        ends = {align_down(area.offset, size), align_down(area.offset + area.size - 1, size)}
        for block in ends:
            by_block.setdefault(block, []).append(area)
    for block, sharing in sorted(by_block.items()):
        for first, second in pairwise(sharing):
            if not _written_together(layout, first, second):
                yield Span(memory.start + block, size), first, second


def _written_together(layout: Layout, first: Area, second: Area) -> bool:
    if first.purpose in WRITTEN_TOGETHER and second.purpose in WRITTEN_TOGETHER:
        return True
    builds = builds_stored_in(layout, first.name)
    return bool(builds) and builds == builds_stored_in(layout, second.name)


def _finding(layout: Layout, memory: Memory, block: Span, first: Area, second: Area) -> Finding:
    spans = [layout.span_of(area.name) for area in (first, second)]
    words, owners = zip(*(owners_of(layout, area) for area in (first, second)), strict=True)
    inside = [span.intersection(block) for span in spans]
    return Finding(
        f"areas {first.name} and {second.name} share an erase block: an update of one erases the other",
        concerned(first.name, second.name, memory.name, *(name for names in owners for name in names)),
        f"block {block} of {memory.words}",
        f"{first.name} {spans[0]}, {second.name} {spans[1]}",
        f"areas that start and end on erase blocks of {format_size(block.size)}",
        block,
        lines=tuple(
            f"{area.name}, {said}: {sized(part)} in this block"
            for area, said, part in zip((first, second), words, inside, strict=True)
        ),
    )


RULE = Rule(
    name="erase-blocks-apart",
    severity="error",
    checks="No two areas of a flash memory lie in the same erase block, save for those of one "
    "build, and for record and seal, which every update writes together.",
    why="Flash is erased a block at a time. An update of one area erases the bytes of its neighbour in the "
    "shared block: the other core's code, its settings, or the record that vouches for both. The device "
    "works until its first update in the field.",
    remedy="Move the areas to borders of erase blocks; where the two are never written apart, waive this "
    "rule for one of them with that reason.",
    source="common practice",
    absent="the layout has no area in flash",
    check=check,
)
