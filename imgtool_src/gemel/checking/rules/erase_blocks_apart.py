"""Rule ``erase-blocks-apart``: what is updated apart shares no erase block."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import builds_stored_in, concerned, found_or_holds, owners_of, sized
from gemel.layout.model import Area, Layout, Memory
from gemel.outcomes import Finding, Need, NotChecked, Outcome, Reason
from gemel.spans import Span, align_down, format_size

WRITTEN_AT_ONCE = ("record", "seal")
"""Purposes of areas that every update writes again, so that they may share a block with each other."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each flash memory with areas, one finding for each block with areas of several."""
    layout = inspection.layout
    for memory in layout.memories.values():
        areas = [area for area in layout.areas.values() if area.memory == memory.name]
        if memory.kind != "flash" or not areas:
            continue
        where = f"memory {memory.name}"
        if memory.erase_block is None:
            yield NotChecked(
                where,
                Reason(
                    f"needs erase_block in [memory.{memory.name}] of the layout",
                    Need("layout", f"memory.{memory.name}.erase_block"),
                ),
            )
            continue
        findings = (
            _finding(layout, memory, block, sharing)
            for block, sharing in _shared_blocks(layout, memory, memory.erase_block, areas)
        )
        yield from found_or_holds(findings, where)


def _shared_blocks(
    layout: Layout, memory: Memory, size: int, areas: list[Area]
) -> Iterator[tuple[Span, list[Area]]]:
    """Each erase block with areas that are updated apart, and these areas.

    Two neighbours that a waiver of this rule concerns stand by themselves, so that it covers no others.
    """
    by_block: dict[int, list[Area]] = {}
    for area in sorted(areas, key=lambda area: area.offset):
        ends = {align_down(area.offset, size), align_down(area.offset + area.size - 1, size)}
        for start in ends:
            by_block.setdefault(start, []).append(area)
    waived = {waiver.where for waiver in layout.rules.waive if waiver.rule == RULE.name}
    for start, sharing in sorted(by_block.items()):
        block = Span(memory.start + start, size)
        others: list[Area] = []
        for pair in pairwise(sharing):
            if _written_at_once(layout, *pair):
                continue
            if waived.isdisjoint(_parties(layout, memory, pair)):
                others += [area for area in pair if area not in others]
            else:
                yield block, list(pair)
        if others:
            yield block, others


def _parties(layout: Layout, memory: Memory, areas: Sequence[Area]) -> tuple[str, ...]:
    owners = [name for area in areas for name in owners_of(layout, area)[1]]
    return concerned(*(area.name for area in areas), memory.name, *owners)


def _written_at_once(layout: Layout, first: Area, second: Area) -> bool:
    if first.purpose in WRITTEN_AT_ONCE and second.purpose in WRITTEN_AT_ONCE:
        return True
    builds = builds_stored_in(layout, first.name)
    return bool(builds) and builds == builds_stored_in(layout, second.name)


def _finding(layout: Layout, memory: Memory, block: Span, areas: Sequence[Area]) -> Finding:
    spans = [layout.span_of(area.name) for area in areas]
    names = [area.name for area in areas]
    listed = f"{', '.join(names[:-1])} and {names[-1]}"
    others = "the other" if len(areas) == 2 else "the others"
    return Finding(
        f"areas {listed} share an erase block: an update of one erases {others}",
        _parties(layout, memory, areas),
        where=f"block {block} of {memory.words}",
        found=", ".join(f"{name} {span}" for name, span in zip(names, spans, strict=True)),
        expected=f"areas that start and end on erase blocks of {format_size(block.size)}",
        span=block,
        lines=tuple(
            f"{area.name}, {owners_of(layout, area)[0]}: {sized(span.intersection(block))} in this block"
            for area, span in zip(areas, spans, strict=True)
        ),
    )


RULE = Rule(
    name="erase-blocks-apart",
    severity="error",
    guards="device",
    checks="No two areas of a flash memory are in the same erase block, except areas of one build, and record and "
    "seal, which every update writes together.",
    why="Flash is erased a block at a time. An update of one area erases the bytes of its neighbour in the "
    "shared block: the other core's code, its settings, or the record that vouches for both. The device "
    "works until its first update in the field.",
    remedy="Move the areas to erase block boundaries; where the two are never written separately, waive this rule for "
    "one of them with that reason.",
    source="common practice",
    absent="the layout has no area in flash",
    check=check,
)
