"""Rule ``record-sound``: the record can be read and is whole."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.altered.unchanged import names_other_layout
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import lines_in_short
from gemel.outcomes import Finding, Holds, Outcome
from gemel.record.format import RecordFault, record_size
from gemel.record.record import Record
from gemel.spans import format_address, format_size


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for the record; a finding for each problem that reading it met."""
    plan = inspection.layout.record
    if plan is None:
        return
    found = inspection.record_or_error
    span = inspection.layout.span_of(plan.area)
    if isinstance(found, Record):
        yield Holds(f"area {plan.area}")
    elif found is not None:
        from gemel.inspection.altered.changed_bytes import cut_before, cut_causes

        damaged = found.faults[0] in (RecordFault.WRONG_CRC, RecordFault.WRONG_SIZES)
        size = record_size(len(inspection.layout.builds))
        if cut := cut_before(inspection, span, size):
            yield Finding(
                "the record is not whole" if damaged else "the record is missing",
                (plan.area,),
                where=found.problems[0].where,
                found=cut[0],
                expected=f"a record of {size} bytes",
                span=span,
                next_step="get the whole image again",
                follows_from=cut_causes(inspection, span),
            )
            return
        if RecordFault.NO_MARK in found.faults and (moved := _moved(inspection, plan.area)):
            yield moved
            return
        others = [f"{each.what}: {each.where}" for each in found.problems[1:]] if damaged else []
        for problem in found.problems[:1] if damaged else found.problems:
            yield Finding(
                f"the record is not sound: {problem.what}",
                (plan.area,),
                where=problem.where,
                found=problem.found,
                expected=problem.expected,
                span=span,
                next_step=problem.next_step,
                lines=lines_in_short(others, "fault"),
                follows_from=cut_causes(inspection, span),
            )


def _moved(inspection: Inspection, area: str) -> Finding | None:
    """The record elsewhere, whole, of an image that is else in its place."""
    from gemel.inspection.altered.moved_record import moved_record

    found, span = moved_record(inspection), inspection.layout.span_of(area)
    if found is None:
        return None
    other = names_other_layout(inspection, found.record)
    by = f"{format_size(abs(found.distance))} {'after' if found.distance > 0 else 'before'} its place"
    return Finding(
        f"{'the image was joined with another layout: ' if other else ''}the record is at another place",
        (area,),
        where=f"area {area}, {span}",
        found=f"a sound record of {found.record.product} at {format_address(span.start + found.distance)}, {by}",
        expected=f"the record at {format_address(span.start)}",
        span=span,
        next_step="check by the layout that the image was joined with, or join again",
        explains_all=other,
    )


RULE = Rule(
    name="record-sound",
    severity="error",
    guards="image",
    checks="The record's area begins with a record of a known format, whose sizes, texts, reserved bytes and own CRC "
    "are right.",
    why="Boot code and service tools find the builds through the record. A record that is not "
    "sound means that the image was cut, changed after it was joined, or written to another place.",
    remedy="Get the image again from where it was joined; if it was changed on purpose, join again.",
    source="the record's format, `gemel explain record`; a mark, a size and a CRC of its own are common "
    "practice",
    absent="the layout has no record",
    check=check,
)
