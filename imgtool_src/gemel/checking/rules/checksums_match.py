"""Rule ``checksums-match``: every checksum in the image is right, and if not, what would make it right."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.checksums.in_layout import algorithm_of, checksum_bytes
from gemel.errors import GemelError, Problem
from gemel.inspection.altered.unchanged import joined_with_other_layout, unchanged_since_join
from gemel.inspection.checksum_ranges import known_coverage, ranges_elsewhere
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import no_place
from gemel.layout.model import Checksum
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.places import address_of, span_of_range
from gemel.spans import Span
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.checksums.diagnosis import Coverage, Work
    from gemel.inspection.altered.changed_bytes import Cause

_NOTHING_FITS = (
    "no other byte order, feed, reflection, algorithm, fill or range that was tried explains the stored value"
)


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each checksum."""

    @cache
    def work() -> Work:
        from gemel.checksums.diagnosis import Work

        return Work()

    for checksum in inspection.layout.checksums:
        yield _outcome(inspection, checksum, work)


def _outcome(inspection: Inspection, checksum: Checksum, work: Callable[[], Work]) -> Outcome:
    layout, image = inspection.layout, inspection.image
    where = f"checksum {checksum.name}"
    covered = known_coverage(inspection, checksum)
    if isinstance(covered, str):
        return NotChecked(where, covered)
    try:
        address = address_of(layout, checksum.at, inspection.symbols)
    except GemelError as error:
        return NotChecked(where, no_place(inspection.builds, checksum, error))
    expected = checksum_bytes(layout, image, checksum, covered)
    if isinstance(expected, Problem):
        return Finding(
            expected.what,
            (checksum.name,),
            where=where,
            found=expected.found,
            expected=expected.expected,
            span=None,
            next_step=expected.next_step,
        )
    place = Span(address, len(expected))
    found = inspection.bytes_of(place)
    if found == expected:
        return Holds(where)
    lines: tuple[str, ...] = ()
    next_step = ""
    fits = False
    if inspection.explains:
        lines, next_step, fits = _explanations(inspection, checksum, place, covered, found, work())
    return Finding(
        f"checksum {checksum.name} does not match the bytes it covers",
        (checksum.name, *_areas_of(inspection, covered)),
        where=f"{where} at {place}, over {', '.join(map(str, covered[:3]))}{', ...' if covered[3:] else ''}",
        found=found.hex(" "),
        expected=f"{expected.hex(' ')} ({algorithm_of(checksum).name}, {checksum.byte_order} byte order)",
        span=place,
        next_step=next_step,
        lines=lines,
        follows_from=() if fits else tuple(_causes(inspection, checksum, place, covered)),
    )


def _causes(
    inspection: Inspection, checksum: Checksum, place: Span, covered: Sequence[Span]
) -> Iterator[Cause]:
    """What the value that nothing fits follows from: bytes that it covers changed, or its own were lost with others."""
    from gemel.inspection.altered.changed_bytes import changed_checksums, cut_causes

    yield "written-places-free", checksum.name
    changed = changed_checksums(inspection)
    if changed.get(checksum.name):
        return
    yield from cut_causes(inspection, place)
    if not unchanged_since_join(inspection, covered):
        yield from _in_covered(inspection, covered)
        if checksum.name not in changed:
            yield "rest-digest-matches", "rest"
    yield "record-of-this-layout", "layout"


def _in_covered(inspection: Inspection, covered: Sequence[Span]) -> Iterator[Cause]:
    """Other bytes of builds, and values that the join writes, among what a checksum covers."""
    from gemel.inspection.altered.changed_bytes import causes_in

    for stamp in inspection.layout.stamps:
        stamped = inspection.patches.known.get(stamp.name)
        if stamped and any(span.overlaps(stamped) for span in covered):
            yield "stamps-match", stamp.name
    yield from causes_in(inspection, covered)


def _areas_of(inspection: Inspection, covered: Sequence[Span]) -> tuple[str, ...]:
    names = [
        name
        for name in inspection.layout.areas
        if any(inspection.layout.span_of(name).overlaps(s) for s in covered)
    ]
    return tuple(names)


def _explanations(
    inspection: Inspection, checksum: Checksum, place: Span, covered: Sequence[Span], found: bytes, work: Work
) -> tuple[tuple[str, ...], str, bool]:
    """What would make the stored value right, what to do then, and whether anything would."""
    from gemel.checksums.coverages import declared_coverage, usual_alternatives
    from gemel.checksums.diagnosis import diagnose
    from gemel.inspection.altered.changed_bytes import cut_before

    erased = inspection.erased_byte_at(covered[0].start)
    left_out = [span_of_range(inspection.layout, item, inspection.placed) for item in checksum.exceptions]
    declared = declared_coverage(inspection.image, covered, erased)
    alternatives, ranges = [], ""
    if not work.is_done:
        others = ranges_elsewhere(inspection, checksum, place, covered, erased)
        alternatives = [
            *usual_alternatives(inspection.image, covered, left_out, place, erased),
            *_builds_alone(inspection, covered, declared, erased),
            *others.coverages,
        ]
        ranges = str(others)
    diagnosis = diagnose(
        algorithm_of(checksum), checksum.feed, checksum.byte_order, found, declared, alternatives, work
    )
    if diagnosis.blank:
        hint = "join the image with this layout, or look for what erased the place afterwards"
        line = "the stored value is blank: nothing was written there, or it was erased"
        return cut_before(inspection, place) or (line,), hint, False
    hint = "correct that key of the layout to what the device computes, and join again"
    lines = [str(explanation) for explanation in diagnosis.explanations]
    if not lines:
        line, hint = _unexplained(inspection, covered)
        lines += [line, *([ranges] if ranges else [])]
    if not diagnosis.complete:
        lines.append("not everything was tried, since the covered bytes are many")
    return tuple(lines), hint, bool(diagnosis.explanations)


def _unexplained(inspection: Inspection, covered: Sequence[Span]) -> tuple[str, str]:
    """What is known where nothing that was tried explains the stored value, and what to do."""
    changed = "get the image again from where it was joined; look for what changed it after the join"
    if not unchanged_since_join(inspection, covered):
        why = "the covered bytes changed after it was computed, or it covers something else altogether"
        return f"{_NOTHING_FITS}: {why}", changed
    unchanged = "by the record's digests the covered bytes are unchanged since the join"
    if joined_with_other_layout(inspection):
        hint = "check it with the layout it was joined with, or correct what this one says of the checksum"
        return f"{_NOTHING_FITS}; {unchanged}: the layout differs", hint
    return f"{_NOTHING_FITS}; {unchanged}: the stored value was changed, or was never this checksum", changed


def _builds_alone(
    inspection: Inspection, covered: Sequence[Span], declared: Coverage, erased: int
) -> Iterator[Coverage]:
    """The bytes of each build that is in the covered ranges, without what follows to the area's end."""
    from gemel.checksums.coverages import declared_coverage

    for placed in inspection.placed.values():
        if any(span.covers(placed.stored) for span in covered) and placed.stored.size != declared.size:
            alone = declared_coverage(inspection.image, [placed.stored], erased)
            yield replace(alone, words=f"if it covers build {placed.name} alone, {placed.stored}")


RULE = Rule(
    name="checksums-match",
    severity="error",
    guards="image",
    checks="Every checksum in the image is that of the bytes it covers, by its algorithm, feed and byte "
    "order.",
    why="Boot code that computes another value refuses to start the image, or, where it does not check, runs bytes "
    "that nothing vouches for.",
    remedy="If one of the explanations fits, correct that key of the layout to what the device computes, and "
    "join again; if none does, the image was changed after the join.",
    source="the parametrised CRC catalogue; common practice for feed and byte order",
    absent="the layout declares no checksum",
    check=check,
    only_with="checksums",
)
