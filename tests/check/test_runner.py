"""Applying rules: what a rule's outcomes make of it, waivers, and when a check passes."""

from __future__ import annotations

import datetime

import pytest
from check.rule_fixtures import FINDING, HOLDS, MISSING, result_of, rule, waiver, waiving
from image_edits import changed
from small_device import SPARE, TODAY, builds, joined, layout

from gemel.checking.registry import all_rules
from gemel.checking.rule import Severity
from gemel.checking.runner import check
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.outcomes import DoesNotApply, Need, NotChecked, Reason
from gemel.structs import replace
from gemel.workflows.checking import check as run_check

NOT_HERE = DoesNotApply("area seal", "there is no seal")


@pytest.mark.parametrize(
    ("outcomes", "status"),
    [
        ((HOLDS,), "holds"),
        ((HOLDS, MISSING), "not checked"),
        ((MISSING,), "not checked"),
        ((), "does not apply"),
        ((NOT_HERE,), "does not apply"),
        ((NOT_HERE, HOLDS), "holds"),
        ((NOT_HERE, MISSING), "not checked"),
        ((HOLDS, FINDING), "broken"),
        ((FINDING, MISSING), "broken"),
    ],
)
def test_status(outcomes, status: str) -> None:
    """One place broken breaks a rule, one that is not known keeps it from holding, none is not checked."""
    result = result_of([rule("some-rule", *outcomes)])
    assert result.results[0].status == status
    assert result.count(status) == 1


CAUSE = (("the-cause", "station-code"),)


@pytest.mark.parametrize(
    ("cause", "severity", "follows", "left"),
    [
        ("the-cause", "error", CAUSE, 0),
        ("the-cause", "error", (("the-cause", "where it is"),), 0),
        ("the-cause", "error", (("the-cause", "sampler"),), 1),
        ("another", "error", CAUSE, 1),
        ("the-cause", "note", CAUSE, 1),
    ],
)
def test_what_follows_from_a_finding_is_left_to_it(
    cause: str, severity: Severity, follows: tuple[tuple[str, str], ...], left: int
) -> None:
    """Only where the cause has a finding at that place, and one that weighs no less."""
    consequence = replace(FINDING, follows_from=follows)
    rules = [rule(cause, FINDING, severity=severity), rule("a-consequence", consequence)]
    _, result = result_of(rules).results
    assert len(result.findings) == left
    assert bool(result.not_checked) == (not left)


def test_findings_that_follow_from_each_other_leave_one() -> None:
    """No circle of causes hides all of its findings; the one that stays names the others."""
    names = ("a-rule", "b-rule", "c-rule")
    rules = [
        rule(name, replace(FINDING, follows_from=((names[at - 1], "station-code"),)))
        for at, name in enumerate(names)
    ]
    result = result_of(rules)
    assert [len(each.findings) for each in result.results].count(1) == 1
    ((_, finding),) = result.open_findings("error")
    assert finding.lines[-1].startswith("leads to ")


def test_the_first_cause_is_named() -> None:
    """Of a chain of causes the first one stays, and all others name that."""
    rules = [
        rule("a-rule", replace(FINDING, follows_from=(("b-rule", "station-code"),))),
        rule("b-rule", replace(FINDING, follows_from=(("c-rule", "station-code"),))),
        rule("c-rule", FINDING),
    ]
    first, second, cause = result_of(rules).results
    assert [first.status, second.status, cause.status] == ["not checked", "not checked", "broken"]
    for each in (first, second):
        assert each.not_checked[-1].needs == (Need("rule", "c-rule"),)
        assert FINDING.what in each.not_checked[-1].reason
    assert cause.findings[0].finding.lines[-1] == "leads to a-rule, b-rule"


def test_a_waived_cause_leaves_what_follows() -> None:
    """Who waives the cause has not waived what follows from it."""
    rules = [rule("the-cause", FINDING), rule("a-consequence", replace(FINDING, follows_from=CAUSE))]
    _, result = result_of(rules, waiving(waiver("the-cause"))).results
    assert len(result.findings) == 1


def test_a_rule_with_nothing_to_look_at_says_why() -> None:
    """A rule without any outcome is not checked, and its own words say why."""
    (result,) = result_of([rule("some-rule", absent="the layout has no seal")]).results
    assert (result.not_checked, result.status) == ((), "does not apply")
    assert result.not_applicable == (DoesNotApply("", "the layout has no seal"),)


def test_a_rule_whose_words_say_what_it_takes_is_not_checked() -> None:
    """Where nothing was looked at for want of something that could be given, that is no reason not to apply."""
    reason = Reason("needs --policy", Need("option", "--policy"))
    (result,) = result_of([rule("some-rule", absent=reason)]).results
    assert (result.status, result.not_applicable) == ("not checked", ())
    assert result.not_checked[0].needs == (Need("option", "--policy"),)


@pytest.mark.parametrize(
    ("severity", "status"), [("error", "broken"), ("warning", "warning"), ("note", "note")]
)
def test_an_open_finding_counts_by_its_severity(severity, status: str) -> None:
    """Only an error breaks: a warning is counted as one, here and in every form."""
    result = result_of([rule("some-rule", FINDING, severity=severity), rule("b-rule", HOLDS)])
    assert (result.count(status), result.count("broken")) == (1, int(severity == "error"))
    assert result.passes == (severity != "error")


@pytest.mark.parametrize(
    ("strict", "outcomes", "severity", "passes"),
    [
        ("", (FINDING,), "warning", True),
        ("warnings", (FINDING,), "warning", False),
        ("warnings", (FINDING,), "note", True),
        ("warnings", (MISSING,), "error", True),
        ("inputs", (FINDING,), "warning", False),
        ("inputs", (MISSING,), "error", False),
        ("inputs", (NotChecked("", Reason("x", Need("key"))),), "note", False),
        ("inputs", (NotChecked("", Reason("x", Need("symbol", "image_length", "station"))),), "error", False),
        ("inputs", (NotChecked("", Reason("x", Need("option", "--rehearse"))),), "error", True),
        ("inputs", (NotChecked("", Reason("x", Need("rule", "record-sound"))),), "error", True),
        ("inputs", (NotChecked("", "x"),), "error", True),
        ("inputs", (), "error", True),
    ],
)
def test_what_strict_fails(strict, outcomes, severity, passes: bool) -> None:
    """``warnings`` fails warnings; ``inputs`` too what a build, key or symbol would have let be checked."""
    subject = Inspection(layout(), joined().image, builds(), strict=strict)
    result = check(subject, TODAY, [rule("a-rule", *outcomes, severity=severity), rule("b-rule", HOLDS)])
    assert result.passes == passes
    assert [each.rule.name for each in result.failing] == ([] if passes else ["a-rule"])


@pytest.mark.parametrize(
    ("rules", "passes"),
    [
        ([rule("a-rule", HOLDS)], True),
        ([rule("a-rule", HOLDS), rule("b-rule", FINDING)], False),
        ([rule("a-rule", HOLDS), rule("b-rule", FINDING, severity="warning")], True),
        ([rule("a-rule", FINDING, severity="note")], True),
        ([rule("a-rule", HOLDS), rule("b-rule", MISSING)], True),
        ([rule("a-rule", MISSING), rule("b-rule")], False),
        ([], False),
    ],
)
def test_when_a_check_passes(rules, passes: bool) -> None:
    """A check passes with no open finding of severity error, and never where no rule could be applied."""
    result = result_of(rules)
    assert result.passes == passes
    assert result.checked_anything == any(each.holds or each.findings for each in result.results)


def test_open_findings_by_severity() -> None:
    """Findings are told by severity, waived ones not."""
    read = waiving(waiver("c-rule"))
    result = result_of(
        [rule("a-rule", FINDING), rule("b-rule", FINDING, severity="warning"), rule("c-rule", FINDING)], read
    )
    assert [(each.name, found) for each, found in result.open_findings("error")] == [("a-rule", FINDING)]
    assert [each.name for each, _ in result.open_findings("warning")] == ["b-rule"]
    assert result.open_findings("note") == []


@pytest.mark.parametrize("where", ["station", "station-code"])
def test_a_waiver_covers_findings_that_name_its_party(where: str) -> None:
    """A waiver of the rule that names any party of the finding covers it: waived, and the check passes."""
    result = result_of([rule("a-rule", FINDING)], waiving(waiver("a-rule", where)))
    (each,) = result.results
    assert each.status == "waived"
    assert each.findings[0].waiver is not None
    assert each.findings[0].waiver.where == where
    assert result.passes
    assert result.idle_waivers == ()


@pytest.mark.parametrize(
    ("name", "where"), [("b-rule", "station"), ("a-rule", "sampler"), ("a-rule", "stat")]
)
def test_a_waiver_of_something_else_covers_nothing(name: str, where: str) -> None:
    """Rule and party must both be the finding's, by their whole names."""
    result = result_of([rule("a-rule", FINDING)], waiving(waiver(name, where)))
    assert result.results[0].status == "broken"
    assert not result.passes


def test_one_finding_waived_and_one_not() -> None:
    """A waiver for one party leaves findings about others open."""
    from gemel.structs import replace

    other = replace(FINDING, parties=("sampler",))
    result = result_of([rule("a-rule", FINDING, other)], waiving(waiver("a-rule", "station")))
    assert [judged.waiver is None for judged in result.results[0].findings] == [False, True]
    assert result.results[0].status == "broken"


@pytest.mark.parametrize(("days", "status"), [(-1, "waived"), (0, "waived"), (1, "broken")])
def test_a_waiver_counts_up_to_its_last_day(days: int, status: str) -> None:
    """On its last day a waiver still counts; the day after, the finding is open and names what ended."""
    last = datetime.date(2027, 6, 30)
    read = waiving(waiver("a-rule", until=str(last)))
    (each,) = result_of([rule("a-rule", FINDING)], read, last + datetime.timedelta(days)).results
    assert each.status == status
    (judged,) = each.findings
    assert (judged.ended is None) == (status == "waived")
    if judged.ended:
        assert judged.ended.until == last


def test_a_waiver_that_counts_is_preferred_to_one_that_ended() -> None:
    """Of two waivers for one finding the one that still counts covers it; both belong to a finding."""
    read = waiving(waiver("a-rule", until="2026-01-01"), waiver("a-rule", "station-code"))
    result = result_of([rule("a-rule", FINDING)], read)
    assert result.results[0].status == "waived"
    assert result.idle_waivers == ()


@pytest.mark.parametrize(
    ("outcomes", "idle"), [((HOLDS,), True), ((), True), ((HOLDS, MISSING), False), ((FINDING,), True)]
)
def test_idle_waivers(outcomes, idle: bool) -> None:
    """A waiver that covers nothing is idle, unless its rule could not look everywhere."""
    result = result_of([rule("a-rule", *outcomes)], waiving(waiver("a-rule", "nobody")))
    assert [each.where for each in result.idle_waivers] == (["nobody"] if idle else [])


def test_a_waiver_of_a_rule_that_was_not_run_is_not_idle() -> None:
    """Where only some rules are applied, waivers of the others say nothing."""
    assert result_of([rule("a-rule", HOLDS)], waiving(waiver("b-rule"))).idle_waivers == ()


def test_a_waiver_of_no_rule_at_all_is_idle() -> None:
    """Where all rules are applied, a waiver of a rule that does not exist covers nothing."""
    read = waiving(waiver("no-such-rule"))
    result = check(Inspection(read, joined(read).image, builds()), TODAY)
    assert [each.rule for each in result.idle_waivers] == ["no-such-rule"]


def test_every_rule_runs() -> None:
    """Without a choice all rules are applied, in the order of their names, broken or not."""
    image = joined().image
    image.write(0x1000_0000, bytes(8))
    result = check(Inspection(layout(), image, builds()), TODAY)
    assert [each.rule for each in result.results] == list(all_rules())
    assert not result.passes


def test_nothing_to_check_fails() -> None:
    """An empty image without builds is no pass: what could be applied is broken or missing."""
    result = check(Inspection(layout(), SparseBytes(), {}), TODAY)
    assert not result.passes
    assert result.count("not checked") > 10


def test_no_variable_sets_the_date_of_waivers(monkeypatch: pytest.MonkeyPatch) -> None:
    """The attack: a build machine sets SOURCE_DATE_EPOCH for good, and a waiver that ended is in force again."""
    waiver = '{ rule = "reserved-areas-untouched", where = "spare", reason = "r", until = 2020-01-01 }'
    read = layout(add=f"\n[rules]\nwaive = [{waiver}]\n")
    broken = changed(joined().image, {SPARE: b"settings"})
    for seconds in ("1577836700", "yesterday"):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", seconds)
        assert not run_check(read, Image(broken)).passes
    given = run_check(read, Image(broken), today=datetime.date(2020, 1, 1))
    assert given.passes
    for form in ("text", "json", "sarif", "junit"):
        assert "--date 2020-01-01" in given.rendered(form), form
