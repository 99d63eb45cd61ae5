"""Rule ``stamps-match``: every stamp in the image holds the value that the layout gives it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.errors import GemelError, Problem
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import needs_build, no_place
from gemel.joining.stamps import StampSources, stamp_bytes
from gemel.layout.model import Stamp, StampValue
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.placement.places import address_of
from gemel.spans import Span
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.inspection.altered.changed_bytes import Cause


UNITS = (4, 2)
"""Bytes that a size may be counted by where nothing states it: words and halfwords."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each stamp."""
    sources = StampSources(inspection.layout, inspection.image, inspection.placed, *inspection.meant)
    for stamp in inspection.layout.stamps:
        yield _outcome(inspection, stamp, sources)


def _outcome(inspection: Inspection, stamp: Stamp, sources: StampSources) -> Outcome:
    where = f"stamp {stamp.name}"
    if reason := _not_known(inspection, stamp):
        return NotChecked(where, reason)
    try:
        address = address_of(inspection.layout, stamp.at, inspection.symbols)
    except GemelError as error:
        return NotChecked(where, no_place(inspection.builds, stamp, error))
    expected = stamp_bytes(stamp, sources)
    if isinstance(expected, Problem):
        return NotChecked(where, f"{expected.what}: found {expected.found}, expected {expected.expected}")
    span = Span(address, stamp.width)
    found = inspection.bytes_of(span)
    if found == expected:
        return Holds(where)
    lines: tuple[str, ...] = ()
    if found == expected[::-1]:
        lines = ("the bytes are right in the other byte order",)
    elif found.count(inspection.erased_byte_at(address)) == len(found):
        lines = ("the place is still erased: the image was not joined, or joined with another layout",)
    elif unit := next((each for each in UNITS if _counts_by(each, stamp, sources, found)), 0):
        lines = (f"it is right if it counts by {unit} bytes: then state unit = {unit} in the stamp",)
    shown = (found.hex(" "), expected.hex(" "))
    if max(map(len, shown)) > 64:
        shown = (shown[0][:47] + " ...", shown[1][:47] + " ...")
    return Finding(
        f"stamp {stamp.name} does not hold its value",
        (stamp.name,),
        where=f"{where} at {span}",
        found=shown[0],
        expected=shown[1],
        span=span,
        lines=lines,
        follows_from=(*_causes(stamp), *_of_other_bytes(inspection, span, found)),
    )


def _counts_by(unit: int, stamp: Stamp, sources: StampSources, found: bytes) -> bool:
    """Whether a size would be ``found`` in the image, if the stamp counted by ``unit`` bytes."""
    is_size = isinstance(stamp.value, StampValue) and stamp.value.size_of
    return bool(is_size) and stamp_bytes(replace(stamp, unit=unit), sources) == found


def _of_other_bytes(inspection: Inspection, span: Span, found: bytes) -> Iterator[Cause]:
    """Another build is where the stamp is, or nothing is left of the build that it is in."""
    from gemel.inspection.altered.changed_bytes import causes_in, is_blank

    for rule, name in causes_in(inspection, [span]):
        if is_blank(found) or rule == "vectors-of-own-build":
            yield rule, name
        yield "build-ids-equal", name


def _causes(stamp: Stamp) -> Iterator[tuple[str, str]]:
    """What another value may follow from: another version or counter was required, another build given."""
    yield "written-places-free", stamp.name
    value = stamp.value
    if isinstance(value, StampValue):
        if value.version:
            yield "version-as-asked", "version"
        if value.rollback:
            yield "version-as-asked", "rollback"
        for name in (value.size_of, value.build_id_of, value.vectors_of, value.run_start_of, value.end_of):
            if name:
                yield "build-ids-equal", name


def _not_known(inspection: Inspection, stamp: Stamp) -> str:
    """Why the stamp's value cannot be known; empty if it can."""
    value = stamp.value
    if not isinstance(value, StampValue):
        return ""
    name = value.size_of or value.start_of or value.end_of or value.sha256_of
    name = name or value.run_start_of or value.vectors_of or value.build_id_of
    if name is None or name not in inspection.layout.builds:
        return ""
    if name not in inspection.placed_with_origin:
        return f"nothing of build {name} was found in the image"
    placed, origin = inspection.placed_with_origin[name]
    sure_from_layout = value.start_of or value.run_start_of or value.vectors_of
    if origin == "layout" and not sure_from_layout:
        return Reason(f"{needs_build(name)}, or an image with a sound record", Need("build", name))
    if value.build_id_of and placed.build_id is None:
        words = f"the build id of {name} is not known: needs its ELF file, linked with --build-id"
        return Reason(words, Need("build", name))
    return ""


RULE = Rule(
    name="stamps-match",
    severity="error",
    guards="image",
    checks="Every stamp's bytes in the image are those of the value that the layout gives it.",
    why="Code on the device takes lengths, addresses and versions from stamps; a wrong one makes it copy, "
    "check or start the wrong bytes.",
    remedy="Join again; nothing may change an image after its stamps were written.",
    source="common practice",
    absent="the layout declares no stamp",
    check=check,
    only_with="stamps",
)
