"""Rule ``version-as-asked``: the record's version and rollback counter are the ones asked for."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.placed import Version


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome each for version and rollback counter, against the command line or the layout."""
    plan = inspection.layout.record
    if plan is None:
        return
    record = inspection.record
    if record is None:
        yield NotChecked("record", "the record is not sound")
        return
    where = f"record in area {plan.area}"
    asked = inspection.version or (
        Version.of(inspection.layout.version) if inspection.layout.version else None
    )
    if asked is None:
        yield NotChecked("version", "neither the layout nor --version says which is meant")
    elif record.version != str(asked):
        origin = "--version" if inspection.version else "layout"
        expected = f"{asked} ({origin})"
        yield Finding(
            "the image holds another version",
            (plan.area, "version"),
            where=where,
            found=record.version,
            expected=expected,
            next_step=_next_step("--version", record.version, inspection.version is None),
        )
    else:
        yield Holds(f"version {asked}")
    rollback = inspection.layout.rollback if inspection.rollback is None else inspection.rollback
    if record.rollback != rollback:
        expected = f"{rollback} ({'layout' if inspection.rollback is None else '--rollback'})"
        found = str(record.rollback)
        yield Finding(
            "the image holds another rollback counter",
            (plan.area, "rollback"),
            where=where,
            found=found,
            expected=expected,
            next_step=_next_step("--rollback", found, inspection.rollback is None),
        )
    else:
        yield Holds(f"rollback counter {rollback}")


def _next_step(option: str, found: str, by_layout: bool) -> str:
    """What to do: where the layout was asked, the image may have been joined with an option."""
    if by_layout:
        return f"take the image that is meant, or give {option} {found} here if it was joined with that"
    return f"take the image that is meant, or mend {option}"


RULE = Rule(
    name="version-as-asked",
    severity="error",
    guards="image",
    checks="The record's version and rollback counter are those of the command line or, where it gives none, "
    "of the layout.",
    why="An old image with known faults, or a new one under an old number, reaches the device, and a device "
    "that keeps a counter refuses it in the field.",
    remedy="Give the version that is meant (--version, --rollback) or take the image of that version.",
    source="RFC 9124 section 3.2, monotonic sequence number; section 4.3.1 REQ.SEC.SEQUENCE (draft 13 read)",
    absent="the layout has no record",
    check=check,
)
