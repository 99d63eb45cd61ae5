"""Rule ``rollback-not-lower``: the image is not older than the command line allows."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.check.rule import Finding, Holds, Outcome, Rule
from gemel.inspection.inspection import Subject
from gemel.inspection.previous import Previous
from gemel.record.record import Record


def check(subject: Subject) -> Iterator[Outcome]:
    """One outcome each for --at-least and --previous, where they are given."""
    if subject.at_least is None and subject.previous is None:
        return
    plan, record = subject.layout.record, subject.record
    if plan is None or record is None:
        yield Finding(
            "nothing tells the image's rollback counter",
            (plan.area if plan else "record", "rollback"),
            "record",
            "no sound record" if plan else "the layout has no record",
            "a record",
        )
        return
    where = f"record in area {plan.area}"
    if subject.at_least is not None:
        if record.rollback < subject.at_least:
            expected = f"{subject.at_least} or more (--at-least)"
            yield _lower(plan.area, where, record, expected)
        else:
            yield Holds(f"rollback counter {record.rollback}, at least {subject.at_least}")
    if subject.previous:
        yield from _against(subject.previous, plan.area, where, record)


def _against(previous: Previous, area: str, where: str, record: Record) -> Iterator[Outcome]:
    older = previous.record
    for what, theirs, ours in (
        ("product", older.product, record.product),
        ("vendor id", older.vendor_id, record.vendor_id),
        ("class id", older.class_id, record.class_id),
    ):
        if theirs != ours:
            yield Finding(
                f"the previous image is for another {what}, so its counter says nothing",
                (area, "rollback", what),
                previous.name,
                _words(theirs),
                f"{_words(ours)}, as the image under check has",
                next_step="give an older image of this product with --previous",
            )
            return
    if record.rollback < older.rollback:
        expected = f"{older.rollback} or more, as {previous.name} has (--previous)"
        yield _lower(area, where, record, expected)
    else:
        yield Holds(f"rollback counter {record.rollback}, not below {older.rollback} of {previous.name}")


def _words(value: object) -> str:
    return "none" if value is None else str(value)


def _lower(area: str, where: str, record: Record, expected: str) -> Finding:
    what = "the image is older than allowed: its rollback counter is lower"
    return Finding(what, (area, "rollback"), where, str(record.rollback), expected)


RULE = Rule(
    name="rollback-not-lower",
    severity="error",
    checks="The record's rollback counter is not below the one of --at-least nor below that of the image "
    "given with --previous.",
    why="An older version is whole and well signed, and has the faults that the newer one mends. A device "
    "that does not compare counters takes it; one that does refuses it in the field.",
    remedy="Take the newer image; where this one is meant to replace it, join it with a higher counter.",
    source="RFC 9124 section 4.2.1, THREAT.IMG.EXPIRED; section 4.3.1, REQ.SEC.SEQUENCE (draft 13 read)",
    absent="neither --at-least nor --previous is given",
    check=check,
)
