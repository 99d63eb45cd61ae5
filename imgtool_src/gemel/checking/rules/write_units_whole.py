"""Rule ``write-units-whole``: the image fills every write unit that it touches."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import counted, lines_in_short, place_words
from gemel.layout.model import Layout, Memory
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, align_down, align_up, format_size


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each flash memory with bytes, one finding for each area with ragged ends."""
    for memory in inspection.layout.memories.values():
        runs = inspection.image.held_in(memory.span) if memory.kind == "flash" else []
        if not runs:
            continue
        ragged = [run for run in runs if run.start % memory.write_unit or run.end % memory.write_unit]
        if not ragged:
            yield Holds(f"memory {memory.name}")
        for area, spans in _by_area(inspection.layout, memory, ragged).items():
            yield _finding(memory, area, spans)


def _by_area(layout: Layout, memory: Memory, runs: list[Span]) -> dict[str | None, list[Span]]:
    """The runs by the area of their first unit that is not whole; None for no area."""
    names = sorted(
        (name for name, area in layout.areas.items() if area.memory == memory.name),
        key=lambda name: layout.span_of(name).start,
    )
    spans = [layout.span_of(name) for name in names]
    starts = [span.start for span in spans]
    result: dict[str | None, list[Span]] = {}
    for run in runs:
        place = run.start if run.start % memory.write_unit else run.last
        index = bisect_right(starts, place) - 1
        name = names[index] if index >= 0 and spans[index].holds(place) else None
        result.setdefault(name, []).append(run)
    return result


_OTHER_BYTES = (
    "image-inside-areas",
    "image-equals-builds",
    "record-sound",
    "seal-well-formed",
    "checksums-match",
)
"""Rules whose finding says what was cut off or added, and left units in part."""


def _finding(memory: Memory, area: str | None, runs: list[Span]) -> Finding:
    unit = memory.write_unit
    first = runs[0]
    whole = Span.from_bounds(align_down(first.start, unit), align_up(first.end, unit))
    missing = whole.size - first.size
    return Finding(
        f"the image fills write units of {memory.words} only in part",
        (memory.name, area) if area else (memory.name,),
        where=f"area {area} in {memory.words}" if area else f"{memory.words}, in no area",
        found=f"{counted(len(runs), 'run')} of bytes, the first at {place_words(first)}",
        expected=f"runs that start and end on multiples of {format_size(unit)}, such as {whole} "
        f"({counted(missing, 'byte')} more)",
        span=first,
        follows_from=(
            *((rule, area or memory.name) for rule in _OTHER_BYTES),
            ("rest-digest-matches", "rest"),
        ),
        lines=lines_in_short([f"run {place_words(run)}" for run in runs[1:]], "run"),
    )


RULE = Rule(
    name="write-units-whole",
    severity="warning",
    guards="device",
    checks="Each run of bytes that the image holds in flash starts and ends on a multiple of the memory's "
    "write unit.",
    why="Flash is programmed a whole write unit at a time, so the programmer adds bytes of its own choice to those of "
    "the image: most take the erased byte, some zero. A digest over them is then wrong, and with error "
    "correction nothing can be written into the rest of that unit later. A warning, since it works with a "
    "programmer that fills in the erased byte.",
    remedy="Join with gemel, which pads; or have the tool that made the image fill to whole write units.",
    source="common practice",
    absent="the image holds no byte in flash",
    check=check,
)
