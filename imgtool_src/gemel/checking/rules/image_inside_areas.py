"""Rule ``image-inside-areas``: outside all areas, flash stays erased."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.altered.unchanged import digest_of_rest, joined_with_other_layout
from gemel.inspection.image_bytes import Deviation, not_erased
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, place_words, sized
from gemel.layout.model import Memory
from gemel.outcomes import Finding, Holds, Outcome
from gemel.spans import Span, without

PADDING = 64
"""Bytes of one value from which on they are taken for padding."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each flash or rom memory, one finding for each gap between areas that holds bytes."""
    written = list(inspection.patches.known.values())
    for memory in inspection.layout.memories.values():
        if not memory.holds_image:
            continue
        areas = [
            inspection.layout.span_of(a.name)
            for a in inspection.layout.areas.values()
            if a.memory == memory.name
        ]
        sound = True
        for gap in without([memory.span], areas + written):
            if found := not_erased(inspection.image, gap, memory.erased_byte):
                sound = False
                yield _finding(inspection, memory, gap, found)
        if sound:
            yield Holds(f"memory {memory.name}")


def _finding(inspection: Inspection, memory: Memory, gap: Span, found: Deviation) -> Finding:
    from gemel.checking.findings.seal_evidence import of_seal_astray

    layout = inspection.layout
    before = [name for name in layout.areas if layout.span_of(name).end == gap.start]
    after = [name for name in layout.areas if layout.span_of(name).start == gap.end]
    sides = [f"after area {name}" for name in before] + [f"before area {name}" for name in after]
    builds = [
        name
        for name, placement in inspection.placements.items()
        if any(piece.span.overlaps(found.span) for piece in placement.pieces)
    ]
    whose = f", with bytes of build {' and build '.join(builds)}" if builds else ""
    recorded = inspection.record.builds if inspection.record else ()
    values = {byte for _, piece in inspection.image.pieces(found.span) for byte in {*bytes(piece)}}
    padded = found.count > PADDING and values in ({0x00}, {0xFF})
    return Finding(
        f"the image has bytes in {memory.words} that belong to no area",
        concerned(memory.name, *before, *after, *builds),
        where=f"{memory.words}, {', '.join([str(gap), *sides])}",
        found=f"{counted(found.count, 'byte')} at {place_words(found.span)}{whose}",
        expected=f"0x{memory.erased_byte:02X}, as erased, in all of {sized(gap)}",
        span=found.span,
        follows_from=(
            *(
                (("record-of-this-layout", "layout"),)
                if any(entry.stored.overlaps(gap) for entry in recorded)
                else ()
            ),
            *of_seal_astray(inspection, found.span),
        ),
        next_step=_next_step(inspection, memory, padded),
        lines=(f"all of them are 0x{min(values):02X}, as padding of a file is",) if padded else (),
    )


LATER = "get the image again from where it was joined: these bytes were added later"
"""What to do where the record shows that flash outside the builds was erased there at the join."""


def _next_step(inspection: Inspection, memory: Memory, padded: bool) -> str:
    """What to do: pad otherwise, take the image as it was joined, or, where that is not known, the rule's remedy."""
    if padded:
        return f"pad with the erased byte 0x{memory.erased_byte:02X}, or not at all"
    record = inspection.record
    if record is None or joined_with_other_layout(inspection):
        return ""
    return LATER if digest_of_rest(inspection, record) != record.rest_sha256 else ""


RULE = Rule(
    name="image-inside-areas",
    severity="error",
    guards="image",
    checks="In flash, bytes outside every area and outside the places of stamps and checksums are the erased "
    "byte.",
    why="Nobody has set these bytes aside: anyone who uses that flash next, for settings, a log or another "
    "build, overwrites them, and the code that they belong to fails later.",
    remedy="Enlarge the area they were meant for, add one for them, or link the build for its area.",
    source="common practice",
    absent="the layout has no flash or rom memory",
    check=check,
)
