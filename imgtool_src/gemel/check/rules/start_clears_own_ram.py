"""Rule ``start-clears-own-ram``: start-up code clears nothing that is shared, stored or another core's."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.check.ram_claims import claims_of, own_ram
from gemel.check.rule import Finding, Outcome, Rule
from gemel.check.start_blocks import block_outcomes, block_place
from gemel.check.start_tables import StartEntry, clears_of
from gemel.check.subject import Subject
from gemel.check.windows import Part, parts_of, windows_of
from gemel.check.wording import biggest_symbols, concerned, segment_words, sized
from gemel.join.placement import Placement
from gemel.spans import Span, without


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome for each build whose symbols tell what its start-up code clears."""
    yield from block_outcomes(subject, clears_of, _findings, "clears")


def _findings(subject: Subject, placement: Placement, entry: StartEntry) -> Iterator[Finding]:
    for segment in (piece.segment for piece in placement.pieces):
        stored = Span(segment.run_address, len(segment.data)).intersection(entry.span)
        if stored.size:
            yield _clears_stored(placement, entry, stored, segment_words(placement.build, segment))
    layout, plan = subject.layout, placement.plan
    claimed = [claim.seen for claim in claims_of(layout, plan, placement.build)]
    windows = windows_of(layout, plan.core)
    for part in parts_of(entry.span, windows):
        for area in layout.areas.values():
            common = layout.span_of(area.name).intersection(part.plain)
            if area.purpose == "shared" and common.size:
                yield _clears_shared(placement, entry, area.name, _seen(part, common))
    # What a segment takes outside its own RAM is told by ram-claims-in-own-areas.
    shared = [layout.span_of(area.name) for area in layout.areas.values() if area.purpose == "shared"]
    for seen in without([entry.span], claimed):
        for part in parts_of(seen, windows):
            for plain in without([part.plain], [*own_ram(layout, plan.core), *shared]):
                yield _clears_foreign(subject, placement, entry, plain, _seen(part, plain))


def _seen(part: Part, plain: Span) -> Span:
    return plain.moved(part.seen.start - part.plain.start)


def _lines(placement: Placement, span: Span) -> tuple[str, ...]:
    symbols = biggest_symbols(placement.build, span)
    return (f"largest objects there: {symbols}",) if symbols else ()


def _clears_stored(placement: Placement, entry: StartEntry, stored: Span, segment: str) -> Finding:
    return Finding(
        f"start-up code of build {placement.plan.name} clears what the image stores for it",
        concerned(placement.plan.name, placement.plan.core),
        block_place(placement, entry),
        f"clears {sized(stored)}, bytes of {segment}",
        "memory of which the file stores no bytes",
        lines=_lines(placement, stored),
    )


def _clears_shared(placement: Placement, entry: StartEntry, area: str, span: Span) -> Finding:
    return Finding(
        f"start-up code of build {placement.plan.name} clears area {area}, which the cores share",
        concerned(placement.plan.name, placement.plan.core, area),
        block_place(placement, entry),
        f"clears {sized(span)}",
        "what is shared is left to the code that both cores have agreed on",
        lines=_lines(placement, span),
    )


def _clears_foreign(
    subject: Subject, placement: Placement, entry: StartEntry, plain: Span, seen: Span
) -> Finding:
    layout, plan = subject.layout, placement.plan
    areas = [name for name in layout.areas if layout.span_of(name).overlaps(plain)]
    place = f"in area {', area '.join(areas)}" if areas else "in no area"
    return Finding(
        f"start-up code of build {plan.name} clears memory that core {plan.core} does not own",
        concerned(plan.name, plan.core, *areas),
        block_place(placement, entry),
        f"clears {sized(seen)}, {place}",
        f"inside {', '.join(map(str, own_ram(layout, plan.core))) or 'RAM that it owns'}",
        plain,
    )


RULE = Rule(
    name="start-clears-own-ram",
    severity="error",
    checks="Each block that start-up code clears, by the build's zero table or the usual symbols at its "
    "ends, lies in RAM that its core owns, outside shared areas, and over no byte that the image stores "
    "for the build, be it initialised data or code that runs from RAM.",
    why="The cores start at different times. A core that clears what they share wipes out what the other "
    "one has written there already, once in many starts; one that clears initialised data or copied code "
    "loses it, and runs into zeros.",
    remedy="Take the block's ends from the section of cleared data alone, and keep shared sections, which "
    "are not cleared, in a segment of their own.",
    source="common practice (tables and symbols of start-up code, from memory)",
    absent="no build has symbols that tell what its start-up code clears",
    check=check,
)
