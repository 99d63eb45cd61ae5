"""The page of a comparison: what changed, breaks first, and each memory twice, old next to new, drawn to one scale."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from gemel.comparing.as_text import moved_words, section_words, stored_words, verdict
from gemel.comparing.changes import BlockChange, BuildChange, Comparison
from gemel.layout.model import Layout
from gemel.page.drawing import drawn
from gemel.page.strips import Lane, LanePart, Strip
from gemel.page.templates import rendered, safe
from gemel.spans import Span
from gemel.structs import Struct
from gemel.text.numbers import counted

Layouts = tuple["Layout | None", "Layout | None"]
"""What the old and the new image were compared by."""

MAX_ROWS = 2_000
"""Rows of one table; the page says how many more there are."""


class MemoryPair(Struct):
    """One memory, as either image has it; the drawings are markup."""

    change: BlockChange
    old: str
    new: str


def page_of_comparison(
    comparison: Comparison, layout: Layout | None, old_layout: Layout | None = None
) -> str:
    """The text of the page; ``layout`` is what the images were compared by, ``old_layout`` the old one's if another."""
    layouts = old_layout or layout, layout
    pairs = []
    for memory in comparison.memories:
        strips = _strip(memory, comparison, layouts, "old"), _strip(memory, comparison, layouts, "new")
        pairs.append(MemoryPair(memory, *(safe(drawn(strip)) for strip in strips)))
    return rendered(
        "compare.html",
        comparison=comparison,
        verdict=verdict(comparison),
        pairs=pairs,
        builds=[(build, list(_lines(build))) for build in comparison.builds],
        section_words=section_words,
        most=MAX_ROWS,
    )


def _strip(
    memory: BlockChange, comparison: Comparison, layouts: Layouts, side: Literal["old", "new"]
) -> Strip:
    blocks = "erase blocks" if memory.unit_known else "blocks"
    lanes = (
        Lane("areas", tuple(_areas(memory, layouts[side == "new"]))),
        *_builds(memory, comparison, side),
        Lane(f"{blocks} that differ", tuple(_blocks(memory))),
    )
    name = f"{memory.memory or 'the files'} {side}"
    block = memory.unit if memory.unit_known else None
    shown = _shown(memory, comparison, layouts)
    return Strip(name, f"{side} image", shown, block, tuple(lane for lane in lanes if lane.parts), ())


def _shown(memory: BlockChange, comparison: Comparison, layouts: Layouts) -> Span:
    """The memory up to the end of what is in it, the same for both images."""
    stored = [span for build in comparison.builds for span in (build.old_stored, build.new_stored) if span]
    parts = [*(part.span for layout in layouts for part in _areas(memory, layout)), *stored, *memory.spans]
    inside = [span for span in parts if memory.span.covers(span)]
    return Span.from_bounds(memory.span.start, max((span.end for span in inside), default=memory.span.end))


def _areas(memory: BlockChange, layout: Layout | None) -> Iterator[LanePart]:
    for area in layout.areas.values() if layout else ():
        if layout and memory.span.covers(span := layout.span_of(area.name)):
            yield LanePart(area.name, span, "area", "areas", area.purpose)


def _builds(memory: BlockChange, comparison: Comparison, side: Literal["old", "new"]) -> Iterator[Lane]:
    for number, build in enumerate(comparison.builds):
        stored = build.old_stored if side == "old" else build.new_stored
        if stored and stored.overlaps(memory.span):
            note = "the same bytes in both" if build.same_bytes else f"{side}, differs"
            part = LanePart(build.build, stored, "build", f"build-{number}", note, number)
            yield Lane(f"build {build.build}", (part,))


def _lines(build: BuildChange) -> Iterator[str]:
    yield stored_words(build)
    if build.not_compared and not build.same_bytes:
        yield f"sections and symbols not compared: {build.not_compared}"
    if build.moved:
        yield moved_words(build)


def _blocks(memory: BlockChange) -> Iterator[LanePart]:
    for span in memory.spans:
        count = counted(-(-span.size // memory.unit), "block")
        yield LanePart(count, span, "changed", "areas", "differ: to be erased and programmed")
