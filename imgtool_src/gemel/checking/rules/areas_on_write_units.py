"""Rule ``areas-on-write-units``: areas of flash begin and end on whole write units."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Area, Layout, Memory
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, align_down, align_up, format_address, format_size


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each area in flash."""
    layout = inspection.layout
    for area in layout.areas.values():
        memory = layout.memories[area.memory]
        if memory.kind != "flash":
            continue
        span = layout.span_of(area.name)
        ragged = [
            (word, at) for word, at in (("starts", span.start), ("ends", span.end)) if at % memory.write_unit
        ]
        yield _finding(layout, area, memory, ragged) if ragged else Holds(f"area {area.name}")


def _finding(layout: Layout, area: Area, memory: Memory, ragged: list[tuple[str, int]]) -> Finding:
    span = layout.span_of(area.name)
    whole = Span.from_bounds(align_down(span.start, memory.write_unit), align_up(span.end, memory.write_unit))
    sharing = [name for name in layout.areas if name != area.name and layout.span_of(name).overlaps(whole)]
    unit = format_size(memory.write_unit)
    return Finding(
        f"area {area.name} {' and '.join(word for word, _ in ragged)} inside a write unit",
        (area.name, memory.name, *sharing),
        where=f"area {area.name} in {memory.words}, {span}",
        found=", ".join(f"{word} at {format_address(at)}" for word, at in ragged),
        expected=f"multiples of {unit}, such as {whole}",
        span=span,
        lines=tuple(f"area {name} has bytes in the same write unit" for name in sharing),
    )


RULE = Rule(
    name="areas-on-write-units",
    severity="error",
    guards="device",
    checks="Each area of a flash memory starts and ends on a multiple of the memory's write unit.",
    why="Flash is programmed a write unit at a time, and with error correction only once after an erase. Two areas in "
    "one unit cannot be programmed one after the other: the second write fails or leaves bits that read as "
    "an error. And a build cannot be padded to whole units inside such an area.",
    remedy="Move the area's start and end in the layout to multiples of write_unit.",
    source="common practice",
    absent="the layout has no area in flash",
    check=check,
)
