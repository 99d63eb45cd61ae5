"""Rule ``image-bytes-in-order``: the image's bytes are at their places and in their order."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.altered.byte_order import disorder
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.outcomes import Finding, Holds, Outcome


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for the image."""
    found = disorder(inspection)
    if found is None:
        yield Holds("the image")
        return
    yield Finding(
        found.what,
        concerned(*inspection.layout.builds, *inspection.layout.cores),
        where=found.where,
        found=found.found,
        expected=found.expected,
        span=found.span,
        next_step=found.next_step,
        explains_all=True,
    )


RULE = Rule(
    name="image-bytes-in-order",
    severity="error",
    guards="device",
    checks="What the builds given, or the record and the vector tables, have at a place is not found there with "
    "its bytes swapped in halfwords or words, shifted from there on, or at an alias of flash; the image was not "
    "converted as text (encoding, seven bits, line ends), and not every byte of it is the same.",
    why="A conversion for another programmer, a binary read at another address or a byte lost on the way changes "
    "everything at once. Every other rule then reports something else, and none of it is the cause; what "
    "they find is left out as long as this rule is broken.",
    remedy="Make the image again from the builds, and compare the way in which it was converted or read with what "
    "is found here.",
    source="common practice",
    absent="never: it applies to every image",
    check=check,
)
