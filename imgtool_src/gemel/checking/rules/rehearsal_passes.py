"""Rule ``rehearsal-passes``: both cores start from the image's own bytes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule, Severity
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.inspection.rehearsed import Rehearsed, RehearsedFinding


def check(inspection: Inspection) -> Iterator[Outcome]:
    """A finding for each error of the rehearsal; one outcome if there is none."""
    rehearsal = inspection.rehearsal
    if rehearsal is None:
        yield NotChecked("", Reason("needs --rehearse, which takes its time", Need("option", "--rehearse")))
        return
    errors = [finding for finding in rehearsal.findings if finding.severity == "error"]
    yield from map(finding_of, errors)
    if not errors:
        started = "started, no goal; " if rehearsal.outcome == "started" else ""
        yield Holds(f"{started}reset code of all cores: {rehearsal.ended}")


MAX_CALLS = 8
"""Calls that led to a finding which are listed; those of a recursion, one after the other, count as one."""


def finding_of(error: RehearsedFinding) -> Finding:
    """What a rehearsal found, in the form that all findings have."""
    where = f"core {error.core}" if error.core else ""
    if error.core and error.time:
        where += f", after {error.time:,} instructions"
    if error.place is not None:
        where += f", at {error.place}"
    if error.times > 1:
        where += f", {error.times:,} times from there"
    calls = [
        (str(call), len([*same])) for call, same in groupby(reversed(error.calls)) if call != error.place
    ]
    shown = [
        f"called from {call}{f', {times:,} times' if times > 1 else ''}" for call, times in calls[:MAX_CALLS]
    ]
    if outer := sum(times for _, times in calls[MAX_CALLS:]):
        shown.append(f"and {outer:,} outer call{'s' if outer > 1 else ''}")
    return Finding(
        error.what,
        (error.core, error.kind),
        where=where,
        found=error.found,
        expected=error.expected,
        next_step=error.next_step,
        lines=tuple(shown),
        source=error.place.source if error.place else "",
    )


RULE = Rule(
    name="rehearsal-passes",
    severity="error",
    guards="device",
    checks="The reset code of every core, run from the image's own bytes in an emulated device, releases the "
    "secondary at its vectors and goes on without a fault, a forbidden access or a hang.",
    why="No static check proves that the second core starts. What goes wrong here goes wrong on the bench, "
    "where it shows as a core that is silent.",
    remedy="See the timeline of `gemel rehearse` for what led there; describe in [rehearsal] the registers "
    "that the start-up code waits for, if it is the emulated device that lacks them.",
    source="common practice",
    absent="no rehearsal was made",
    check=check,
)


def rules_of(findings: Iterable[RehearsedFinding]) -> list[Rule]:
    """A rule for each kind and severity of ``findings``, in their order, with a finding for each of them."""
    found: dict[tuple[str, Severity], list[RehearsedFinding]] = {}
    for each in findings:
        found.setdefault((each.kind, each.severity), []).append(each)
    return [
        replace(RULE, name=kind, severity=severity, check=lambda _, found=found: map(finding_of, found))
        for (kind, severity), found in found.items()
    ]


def rules_of_warnings(rehearsal: Rehearsed) -> list[Rule]:
    """Rules with what a rehearsal warns of; ``rehearsal-passes`` has its errors."""
    return rules_of(each for each in rehearsal.findings if each.severity != "error")
