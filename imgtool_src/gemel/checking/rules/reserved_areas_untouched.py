"""Rule ``reserved-areas-untouched``: the image leaves areas of purpose reserved and settings alone."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.image_bytes import Deviation, not_erased
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import counted, place_words, sized
from gemel.layout.model import LEFT_ALONE, Area
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span

FROM_DEVICE = (
    "of what was read back from a device, gemel check --from-device sets aside what the device writes; else leave the "
    "area out of the image"
)


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each area of purpose reserved or settings."""
    for area in inspection.layout.areas.values():
        if area.purpose not in LEFT_ALONE:
            continue
        span = inspection.layout.span_of(area.name)
        if found := _touched(inspection, area, span):
            yield _finding(inspection, area, found)
        elif not inspection.leaves_bytes_out and inspection.image.held_in(span):
            reason = "a raw binary holds every byte: the programmer must leave this area alone"
            yield NotChecked(f"area {area.name}", reason)
        else:
            yield Holds(f"area {area.name}")


def _touched(inspection: Inspection, area: Area, span: Span) -> Deviation | None:
    """Any byte at all; of a raw binary, which cannot leave bytes out, in flash those that are not erased."""
    memory = inspection.layout.memories[area.memory]
    if memory.holds_image and not inspection.leaves_bytes_out:
        return not_erased(inspection.image, span, memory.erased_byte)
    held = inspection.image.held_in(span)
    if not held:
        return None
    return Deviation(held[0].start, held[-1].last, sum(each.size for each in held))


def _finding(inspection: Inspection, area: Area, found: Deviation) -> Finding:
    memory = inspection.layout.memories[area.memory]
    span = inspection.layout.span_of(area.name)
    builds = [
        name
        for name, placement in inspection.placements.items()
        if any(piece.span.overlaps(span) for piece in placement.pieces)
    ]
    whose = f", with bytes of build {' and build '.join(builds)}" if builds else ""
    erased = memory.holds_image and not not_erased(inspection.image, span, memory.erased_byte)
    kind = "erased byte" if erased else "byte"
    return Finding(
        f"the image has bytes in the {area.purpose} area {area.name}",
        (area.name, area.memory, *builds),
        where=f"area {area.name} in {memory.words}, {span}",
        found=f"{counted(found.count, kind)} at {place_words(found.span)}{whose}",
        expected=f"no byte, in all of {sized(span)}",
        span=found.span,
        next_step="" if builds or area.purpose != "settings" else FROM_DEVICE,
    )


RULE = Rule(
    name="reserved-areas-untouched",
    severity="error",
    guards="image",
    checks="An area of purpose reserved or settings holds no byte of the image, erased ones included.",
    why="Such an area keeps what the device has from elsewhere: calibration, keys, settings, a boot loader. "
    "Programming the image would overwrite it, and a programmer erases whatever a file holds, so erased bytes "
    "do the same. No later version brings it back, and no digest of the record covers it.",
    remedy="Link the build for its own area, and leave the reserved one out of the image.",
    source="common practice",
    absent="the layout has no area of purpose reserved or settings",
    check=check,
)
