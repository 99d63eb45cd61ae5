"""``rehearsal-passes``: each error of a rehearsal is a finding, with what led there."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from device_programs import IDLE, RELEASE, run
from rehearsals import Case, device
from small_device import TODAY, findings

from gemel.checking.registry import rule_named
from gemel.checking.rules import rehearsal_passes
from gemel.checking.runner import RuleResult, check
from gemel.inspection.inspection import Inspection
from gemel.rehearsal.result import RehearsalFinding
from gemel.structs import replace

RULE = "rehearsal-passes"


def _result(case: Case, *, rehearsed: bool = True) -> RuleResult:
    """What the rule says of a case, rehearsed or not."""
    rule = rule_named(RULE)
    assert rule is not None
    rehearsal = case.rehearse() if rehearsed else None
    subject = Inspection(case.read, case.image, case.builds, rehearsal=rehearsal)
    return check(subject, TODAY, [rule]).results[0]


BREAKS: dict[str, Callable[[], RuleResult]] = {
    "released at a wrong address": lambda: _result(device(station="wrong-address")),
    "sampler faults": lambda: _result(device(sampler="unmapped-read")),
}
KEEPS: dict[str, Callable[[], RuleResult]] = {"both cores start": lambda: _result(device())}


@pytest.mark.parametrize("case", BREAKS)
def test_every_error_of_the_rehearsal_is_a_finding(case: str) -> None:
    """A rehearsal with an error breaks the rule, and the finding names core, count and function."""
    result = BREAKS[case]()
    assert result.status == "broken"
    for finding in findings(result):
        assert finding.where.startswith(f"core {finding.parties[0]}, after ")
        assert "instructions, at " in finding.where


def test_the_calls_that_led_there_are_told() -> None:
    """The finding's lines are the calls, the nearest first."""
    finding = findings(BREAKS["released at a wrong address"]())[0]
    assert finding.lines
    assert all(line.startswith("called from ") for line in finding.lines)
    assert "reset_handler" in finding.lines[-1]


def test_calls_of_a_recursion_are_one_line() -> None:
    """A function that calls itself at one place has one line, with how often it did."""
    finding = findings(_result(device(sampler="deep-recursion")))[0]
    (line,) = [each for each in finding.lines if each.endswith(" times")]
    assert line.startswith("called from ")
    assert len(finding.lines) == len({each.partition(" (")[0] for each in finding.lines})


def test_a_sound_start_holds() -> None:
    """A rehearsal without an error holds, and says why it ended."""
    result = KEEPS["both cores start"]()
    assert result.status == "holds"
    assert result.holds[0].where == "reset code of all cores: every goal was reached"


def test_a_sound_start_without_goals_is_not_more_than_that() -> None:
    """Without goals the rule holds, and says in a word of its own that the cores started."""
    case = device()
    subject = Inspection(case.read, case.image, case.builds, rehearsal=run(RELEASE + IDLE, "", sampler=IDLE))
    (held,) = check(subject, TODAY, [rehearsal_passes.RULE]).results[0].holds
    assert held.where.startswith("started, no goal; reset code of all cores: every core sleeps")


def test_without_a_rehearsal_the_rule_is_not_checked() -> None:
    """Where no rehearsal was made, the rule is not checked and names the option."""
    result = _result(device(), rehearsed=False)
    assert result.status == "not checked"
    assert "--rehearse" in result.not_checked[0].reason


def test_what_a_rehearsal_warns_of_is_carried_too() -> None:
    """A check with a rehearsal has a rule for each kind of warning, beside the one for errors."""
    rehearsal = device().rehearse()
    warnings = [
        RehearsalFinding(
            "write-unit-in-part", "warning", "station", 9, 1, f"block {number}", "", "", "", None
        )
        for number in (1, 2)
    ]
    for errors, status in (((), "holds"), (device(sampler="unmapped-read").rehearse().findings, "broken")):
        case = device()
        made = replace(rehearsal, findings=(*errors, *warnings))
        subject = Inspection(case.read, case.image, case.builds, rehearsal=made)
        results = {result.rule.name: result for result in check(subject, TODAY).results}
        assert results[RULE].status == status
        assert results["write-unit-in-part"].status == "warning"
        assert [each.what for each in findings(results["write-unit-in-part"])] == ["block 1", "block 2"]
    plain = check(Inspection(case.read, case.image, case.builds, rehearsal=rehearsal), TODAY)
    assert "write-unit-in-part" not in {result.rule.name for result in plain.results}
