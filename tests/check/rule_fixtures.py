"""Rules made for tests of the runner and the reports: they say what they are told to say."""

from __future__ import annotations

import datetime
from collections.abc import Iterable

from small_device import TODAY, builds, joined, layout

from gemel.checking.rule import Rule, Severity
from gemel.checking.runner import RulesApplied, check
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import ReadLayout
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason

FINDING = Finding(
    "what is wrong",
    ("station", "station-code"),
    where="where it is",
    found="what was found",
    expected="what was expected",
)


def rule(name: str, *outcomes: Outcome, severity: Severity = "error", absent: str = "nothing there") -> Rule:
    """A rule of that name with these outcomes."""
    return Rule(
        name=name,
        severity=severity,
        guards="device",
        checks="It is checked.",
        why="It matters.",
        remedy="Correct it.",
        source="common practice",
        absent=absent,
        check=lambda subject: outcomes,
    )


def waiver(rule_name: str, where: str = "station", until: str = "2027-06-30", reason: str = "agreed") -> str:
    """One waiver as the layout has it."""
    return f'{{ rule = "{rule_name}", where = "{where}", reason = "{reason}", until = {until} }}'


def waiving(*waivers: str) -> ReadLayout:
    """The small device's layout with these waivers."""
    return layout(add=f"\n[rules]\nwaive = [{', '.join(waivers)}]\n")


def result_of(
    rules: Iterable[Rule], read: ReadLayout | None = None, today: datetime.date = TODAY
) -> RulesApplied:
    """What the runner makes of these rules on the sound join."""
    read = read or layout()
    return check(Inspection(read, joined(read).image, builds()), today, rules)


HOLDS, MISSING = (
    Holds("build station"),
    NotChecked("build sampler", Reason("needs the build: sampler=FILE", Need("build", "sampler"))),
)
