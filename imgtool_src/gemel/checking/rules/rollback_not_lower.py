"""Rule ``rollback-not-lower``: the image is not older than the command line allows."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.previous import Previous
from gemel.outcomes import Finding, Holds, Need, Outcome, Reason
from gemel.record.record import Record


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome each for --at-least and --previous, where they are given."""
    if inspection.at_least is None and inspection.previous is None:
        return
    plan, record = inspection.layout.record, inspection.record
    if plan is None or record is None:
        yield Finding(
            "nothing shows the image's rollback counter",
            (plan.area if plan else "record", "rollback"),
            where="record",
            found="no sound record" if plan else "the layout has no record",
            expected="a record",
        )
        return
    where = f"record in area {plan.area}"
    if inspection.at_least is not None:
        if record.rollback < inspection.at_least:
            expected = f"{inspection.at_least} or more (--at-least)"
            yield _lower(plan.area, where, record, expected)
        else:
            yield Holds(f"rollback counter {record.rollback}, at least {inspection.at_least}")
    if inspection.previous:
        yield from _against(inspection.previous, plan.area, where, record)


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
                where=previous.name,
                found=_words(theirs),
                expected=f"{_words(ours)}, as the image under check has",
                next_step="give an older image of this product with --previous",
            )
            return
    if record.rollback < older.rollback:
        expected = f"{older.rollback} or more, as {previous.name} has (--previous)"
        yield _lower(area, where, record, expected)
    elif record.rollback == older.rollback and _version(record) < _version(older):
        yield Finding(
            "the image is older than allowed: its counter is the same, its version lower",
            (area, "rollback", "version"),
            where=where,
            found=f"version {record.version}, rollback counter {record.rollback}",
            expected=f"version {older.version} or later, as {previous.name} has (--previous), or a higher counter",
        )
    else:
        yield Holds(f"rollback counter {record.rollback}, not below {older.rollback} of {previous.name}")


def _version(record: Record) -> tuple[int, int, int]:
    return record.major, record.minor, record.patch


def _words(value: object) -> str:
    return "none" if value is None else str(value)


def _lower(area: str, where: str, record: Record, expected: str) -> Finding:
    what = "the image is older than allowed: its rollback counter is lower"
    return Finding(what, (area, "rollback"), where=where, found=str(record.rollback), expected=expected)


RULE = Rule(
    name="rollback-not-lower",
    severity="error",
    guards="image",
    checks="The record's rollback counter is at least that of --at-least and at least that of the image given with "
    "--previous; where it equals that image's, the version is at least that image's too.",
    why="An older version is complete and correctly signed, and has the faults that the newer one corrects. A device "
    "that does not compare counters accepts it, as any does where the counter is the same; one that does refuses it in "
    "the field.",
    remedy="Take the newer image; where this one is meant to replace it, join it with a higher counter.",
    source="RFC 9124 section 4.2.1, THREAT.IMG.EXPIRED; section 4.3.1, REQ.SEC.SEQUENCE (draft 13 read)",
    absent=Reason(
        "needs --at-least or --previous", Need("option", "--at-least"), Need("option", "--previous")
    ),
    check=check,
)
