"""Rule ``version-as-asked``: the record's version and rollback counter are the ones requested."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import record_not_sound
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.placement.placed import Version


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome each for version and rollback counter, against the command line or the layout."""
    plan = inspection.layout.record
    if plan is None:
        return
    record = inspection.record
    if record is None:
        yield NotChecked("record", record_not_sound())
        return
    where = f"record in area {plan.area}"
    asked = inspection.version or (
        Version.of(inspection.layout.version) if inspection.layout.version else None
    )
    if asked is None:
        yield NotChecked("version", _needs("--version", "the layout states no version"))
    elif record.version == str(asked):
        yield Holds(f"version {asked}")
    elif inspection.version is None:
        found = f"the image holds {record.version}, the layout states {asked}"
        yield NotChecked("version", _needs("--version", found))
    else:
        yield Finding(
            "the image holds another version",
            (plan.area, "version"),
            where=where,
            found=record.version,
            expected=f"{asked} (--version)",
            next_step="take the image that is meant, or correct --version",
        )
    if inspection.rollback is None:
        yield _by_layout(inspection.layout.rollback, record.rollback, where, plan.area)
    elif record.rollback == inspection.rollback:
        yield Holds(f"rollback counter {record.rollback}")
    else:
        yield Finding(
            "the image holds another rollback counter",
            (plan.area, "rollback"),
            where=where,
            found=str(record.rollback),
            expected=f"{inspection.rollback} (--rollback)",
            next_step="take the image that is meant, or correct --rollback",
        )


def _by_layout(least: int, found: int, where: str, area: str) -> Outcome:
    """The counter where none was requested: the layout states the least that it may be."""
    if found == least:
        return Holds(f"rollback counter {found}")
    if found > least:
        return NotChecked(
            "rollback counter", _needs("--rollback", f"the image holds {found}, the layout {least}")
        )
    return Finding(
        "the image is older than its layout: its rollback counter is lower",
        (area, "rollback"),
        where=where,
        found=str(found),
        expected=f"{least} or more (layout)",
        next_step=f"take a newer image, or give --rollback {found} if this older one is meant",
    )


def _needs(option: str, found: str) -> Reason:
    return Reason(f"needs {option}: {found}", Need("option", option))


RULE = Rule(
    name="version-as-asked",
    severity="error",
    guards="image",
    checks="The record's version and rollback counter are those that were required, and the counter is at least "
    "the layout's.",
    why="An old image with known faults, or a new one under an old number, reaches the device, and a device "
    "that keeps a counter refuses it in the field.",
    remedy="Give the version that is meant (--version, --rollback) or take the image of that version.",
    source="RFC 9124 section 3.2, monotonic sequence number; section 4.3.1 REQ.SEC.SEQUENCE (draft 13 read)",
    absent="the layout has no record",
    check=check,
)
