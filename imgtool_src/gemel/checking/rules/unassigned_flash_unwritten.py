"""Rule ``unassigned-flash-unwritten``: in flash outside all areas the image names no byte at all."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.checksum_ranges import known_coverage
from gemel.inspection.image_bytes import not_erased
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import counted, place_words
from gemel.joining.merging import whole_units
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.spans import Span, without

WHOLE_FILE = "a raw binary holds every byte: the programmer decides what is erased"
"""Why bytes of a raw binary that are erased are not looked at."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each flash or rom memory; bytes that are not erased are image-inside-areas' matter."""
    layout = inspection.layout
    owned = [layout.span_of(name) for name in layout.areas]
    owned += [whole_units(layout, span) for span in inspection.patches.known.values()]
    for checksum in layout.checksums:
        covered = known_coverage(inspection, checksum)
        owned += [] if isinstance(covered, str) else covered
    for memory in layout.memories.values():
        if not memory.holds_image:
            continue
        if not inspection.leaves_bytes_out:
            yield NotChecked(f"memory {memory.name}", WHOLE_FILE)
            continue
        erased = [
            span
            for gap in without([memory.span], owned)
            for span in inspection.image.held_in(gap)
            if not_erased(inspection.image, span, memory.erased_byte) is None
        ]
        if not erased:
            yield Holds(f"memory {memory.name}")
            continue
        size = sum(span.size for span in erased)
        extent = Span.from_bounds(erased[0].start, erased[-1].end)
        yield Finding(
            f"the image holds erased bytes in {memory.words} that belong to no area",
            (memory.name,),
            where=place_words(extent),
            found=f"{counted(size, 'byte')}, 0x{memory.erased_byte:02X} each",
            expected="no byte there",
            span=extent,
        )


RULE = Rule(
    name="unassigned-flash-unwritten",
    severity="note",
    guards="image",
    checks="In flash outside every area, and outside what stamps and checksums need, the image holds no byte, erased "
    "ones included.",
    why="A programmer erases whatever a file holds. And two files of one image should be equal: erased bytes that "
    "only one of them holds are in no digest, so that nothing else shows that another program wrote that file.",
    remedy="Take the file that was joined, or write it again with gemel sign.",
    source="common practice",
    absent="the layout has no flash or rom memory",
    check=check,
)
