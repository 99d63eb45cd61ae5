"""The text report, word for word, and what must be true of any: width, order, nothing left out."""

from __future__ import annotations

import re

import pytest
from check.make_reports import CASES, REPORTS, RULES
from check.rule_fixtures import FINDING, HOLDS, MISSING, result_of, rule

from gemel.checking.reports.as_text import CAUTION, WIDTH, report_of, summary_of
from gemel.outcomes import Finding, NotChecked


@pytest.mark.parametrize("name", CASES)
def test_reports_are_as_stored(name: str) -> None:
    """Each report reads as stored.  After a wanted change run ``tests/check/make_reports.py`` and read it."""
    stored = (REPORTS / f"{name}.txt").read_text(encoding="utf-8")
    assert "".join(f"{line}\n" for line in CASES[name]()) == stored


def test_no_report_is_left_behind() -> None:
    """Every stored report has its case."""
    assert sorted(path.stem for path in REPORTS.glob("*.txt")) == sorted(CASES)


@pytest.mark.parametrize("name", CASES)
def test_lines_fit_a_terminal(name: str) -> None:
    """Lines end within 80 columns unless a single word or a table is longer, and none ends in a space."""
    for line in CASES[name]():
        assert len(line) <= WIDTH or "  " in line.strip() or " " not in line.strip()[12:], line
        assert line == line.rstrip()


@pytest.mark.parametrize("name", CASES)
def test_the_verdict_comes_last(name: str) -> None:
    """The report ends with the verdict, its counts, and the caution."""
    text = "\n".join(CASES[name]())
    assert re.search(
        rf"^(PASS|FAIL): \d+ rules? holds?, \d+ broken[^.]*\.\n{re.escape(CAUTION)}$", text, re.M
    )
    assert text.endswith(CAUTION)


def test_errors_come_before_warnings_before_notes() -> None:
    """Findings are told by severity, whatever the rules' names."""
    rules = [
        rule("a-rule", FINDING, severity="note"),
        rule("b-rule", FINDING, severity="warning"),
        rule("c-rule", FINDING),
    ]
    heads = [line for line in report_of(result_of(rules)) if line.endswith("-rule")]
    assert heads == ["BROKEN c-rule", "WARNING b-rule", "NOTE a-rule"]


def test_what_places_have_in_common_is_told_once() -> None:
    """Neighbours of one contract are listed behind its name, in short and with everything."""
    places = [
        "contract link, struct a, build x",
        "contract link, struct b, build x",
        "contract log, struct c",
    ]
    result = result_of([rule("a-rule", HOLDS, *(NotChecked(place, "it is stripped") for place in places))])
    told = "contract link, struct a, build x, struct b, build x, contract log, struct c: it is stripped"
    for everything in (False, True):
        assert told in " ".join(" ".join(report_of(result, everything=everything)).split())


def test_the_remedy_stands_in_for_a_next_step() -> None:
    """A finding without a next step of its own gets the rule's remedy."""
    assert "  next      Mend it." in report_of(result_of([rule("a-rule", FINDING)]))


def test_what_a_finding_does_not_tell_takes_no_line() -> None:
    """Parts of a finding that are empty are left out, and so are sections without content."""
    bare = Finding("what is wrong", ("station",))
    lines = report_of(result_of([rule("a-rule", bare)]), everything=True)
    assert lines[:4] == ["BROKEN a-rule", "  what is wrong", "  next      Mend it.", ""]
    assert lines[4].startswith("FAIL: 0 rules hold, 1 broken")


def test_every_rule_not_checked_is_named_once() -> None:
    """Grouping by reason loses no rule and names none twice."""
    lines = CASES["a-sound-image-alone"]()
    listed = " ".join(lines[lines.index("not checked") : -3])
    (count,) = re.findall(r"(\d+) not checked", lines[-2])
    named = [name for name in re.split(r"[ ,]+", listed) if name in RULES]
    assert len(named) == len(set(named)) == int(count)


def test_what_was_not_asked_for_is_told_by_its_option() -> None:
    """A rule that only an option would have checked stands behind it; one that lacks more does not."""
    unasked = NotChecked("", "takes its time, and was not asked for (gemel check --rehearse)")
    rules = [rule("a-rule", unasked), rule("b-rule", unasked, MISSING), rule("c-rule", HOLDS)]
    lines = report_of(result_of(rules))
    assert lines[lines.index("  not asked for") + 1] == "      --rehearse: a-rule"
    assert "      b-rule" in lines[: lines.index("  not asked for")]


def test_what_the_layout_has_nothing_for_is_one_paragraph() -> None:
    """Rules without anything to look at are named without their reasons, which ``--all`` tells."""
    rules = [rule("a-rule", absent="no seal"), rule("b-rule", absent="no stamp"), rule("c-rule", HOLDS)]
    result = result_of(rules)
    assert "      a-rule, b-rule" in report_of(result)
    assert not {"  no seal", "      no seal"} & set(report_of(result))
    assert {"      no seal", "      no stamp"} <= set(report_of(result, everything=True))


def test_names_cannot_forge_a_line() -> None:
    """Control characters in what a finding tells are escaped, in text and in tables."""
    for found in ("a\nPASS: 9 rules hold", "a  b\x1b[2K\rPASS: 9"):
        lines = report_of(result_of([rule("a-rule", Finding("what", ("station",), found=found))]))
        assert not [line for line in lines if line.startswith("PASS")]
        assert all(line.isprintable() for line in lines)


def test_one_rule_in_the_singular() -> None:
    """One rule holds, two hold."""
    assert report_of(result_of([rule("a-rule", HOLDS)]))[-2].startswith("PASS: 1 rule holds, 0 broken")
    both = [rule("a-rule", HOLDS), rule("b-rule", HOLDS)]
    assert summary_of(result_of(both))[-2].startswith("PASS: 2 rules hold")


def test_a_check_without_rules_fails_and_says_so() -> None:
    """Where no rule could be applied that is told in words before the verdict."""
    lines = report_of(result_of([rule("a-rule", MISSING)]))
    assert "No rule could be applied: that is a failure, not a pass." in lines
    assert lines[-2].startswith("FAIL: 0 rules hold")
