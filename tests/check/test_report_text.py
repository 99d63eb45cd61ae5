"""The text report, word for word, and what must be true of any: width, order, nothing left out."""

from __future__ import annotations

import re
import tomllib

import pytest
from check.make_reports import CASES, REPORTS
from check.rule_fixtures import FINDING, HOLDS, MISSING, result_of, rule

from gemel.checking.reports.as_text import CAUTION, WIDTH, not_checked_line, report_of
from gemel.outcomes import Finding, Need, NotChecked, Reason
from gemel.structs import replace
from gemel.text.problem_line import problem_line


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
        assert (
            len(line) <= (160 if name.endswith("-160") else WIDTH)
            or "  " in line.strip()
            or " " not in line.strip()[12:]
        ), line
        assert line == line.rstrip()


@pytest.mark.parametrize("name", CASES)
def test_the_verdict_comes_last(name: str) -> None:
    """The report ends with the verdict and its counts; a pass comes with the caution before it."""
    text = "\n".join(CASES[name]())
    assert re.search(r"^(PASS|FAIL): \d+ rules? holds?, \d+ broken[^.]*\.\Z", text, re.M)
    assert (CAUTION in text) == ("\nPASS" in text)


def test_errors_come_before_warnings_before_notes() -> None:
    """Findings are told by severity, whatever the rules' names."""
    rules = [
        rule("a-rule", FINDING, severity="note"),
        rule("b-rule", FINDING, severity="warning"),
        rule("c-rule", FINDING),
    ]
    signs = ("BROKEN", "WARNING", "NOTE")
    heads = [line for line in report_of(result_of(rules)) if line.startswith(signs)]
    assert heads == ["BROKEN c-rule", "WARNING b-rule", "NOTE a-rule: what is wrong"]
    alone = [line for line in report_of(result_of(rules[:2])) if line.startswith(signs)]
    assert alone == ["WARNING b-rule", "NOTE a-rule"]


def test_what_places_have_in_common_is_told_once() -> None:
    """Neighbours of one contract are listed after its name."""
    places = [
        "contract link, struct a, build x",
        "contract link, struct b, build x",
        "contract log, struct c",
    ]
    result = result_of([rule("a-rule", HOLDS, *(NotChecked(place, "it is stripped") for place in places))])
    told = "contract link, struct a, build x, struct b, build x, contract log, struct c: it is stripped"
    assert told in " ".join(" ".join(report_of(result, everything=True)).split())


def test_the_remedy_stands_in_for_a_next_step() -> None:
    """A finding without a next step of its own gets the rule's remedy, written as other next steps are."""
    assert "  next      correct it" in report_of(result_of([rule("a-rule", FINDING)]))


def test_lines_of_toml_in_a_next_step_are_lines() -> None:
    """What is to be added to a file is one key a line; a line end in a name from a file stays an escape."""
    step = 'add to the layout:\n[[table]]\nat = 0x4000_0000\nname = "x"'
    lines = report_of(result_of([rule("a-rule", replace(FINDING, next_step=step))]))
    at = lines.index("  next      add to the layout:")
    assert tomllib.loads("\n".join(lines[at + 1 : at + 4])) == {"table": [{"at": 0x4000_0000, "name": "x"}]}
    lines = report_of(result_of([rule("a-rule", replace(FINDING, next_step="see name\nPASS: forged"))]))
    assert any("see name\\nPASS: forged" in line for line in lines)
    assert problem_line("a:1", "error", "what", next_step=step) == (
        'a:1: error: what; add to the layout: [[table]] at = 0x4000_0000 name = "x"'
    )


def test_what_a_finding_does_not_tell_takes_no_line() -> None:
    """Parts of a finding that are empty are left out, and so are sections without content."""
    bare = Finding("what is wrong", ("station",))
    lines = report_of(result_of([rule("a-rule", bare)]), everything=True)
    assert lines[:4] == ["BROKEN a-rule", "  what is wrong", "  next      correct it", ""]
    assert lines[4].startswith("FAIL: 0 rules hold, 1 broken")


CAUSES = {
    "build": ("1 needs builds", Need("build", "station")),
    "symbol": ("1 needs symbols that the builds do not have", Need("symbol", build="station")),
    "option": ("1 only on request (--rehearse)", Need("option", "--rehearse")),
    "key": ("1 needs --trust", Need("key")),
    "extra": ("1 needs gemel[disassemble]", Need("extra", "disassemble")),
    "layout": ("1 needs more of the layout", Need("layout", "memory.flash.erase_block")),
    "rule": ("1 depends on rules that do not hold", Need("rule", "record-sound")),
}


@pytest.mark.parametrize("kind", CAUSES)
def test_a_cause_of_each_kind(kind: str) -> None:
    """What was not checked is one line by cause, from the needs that the rule states; no word of it is read."""
    words, need = CAUSES[kind]
    lacking = NotChecked("build station", Reason("some words", need))
    assert lacking.kind == kind
    assert not_checked_line(result_of([rule("a-rule", lacking), rule("b-rule", HOLDS)])) == words


def test_the_line_of_what_was_not_checked_counts_each_rule_once() -> None:
    """A rule counts under the first cause that whoever checks can do something about, in the verdict's number."""
    unasked = NotChecked("", Reason("some words", Need("option", "--rehearse")))
    plain = NotChecked("", "needs --trust, it says, and is a plain text")
    rules = [
        rule("a-rule", unasked),
        rule("b-rule", unasked, MISSING),
        rule("c-rule", HOLDS),
        rule("d-rule", plain),
    ]
    result = result_of(rules)
    expected = "1 needs builds, 1 only on request (--rehearse), 1 cannot be seen in these files"
    assert not_checked_line(result) == expected
    assert report_of(result, width=160)[-2] == f"not checked: {expected}; --all lists them"
    assert report_of(result)[-1] == "PASS: 1 rule holds, 0 broken, 3 not checked."


def test_numbers_of_real_reports_add_up() -> None:
    """The causes add up to what the verdict says was not checked, and with the other counts to all rules."""
    for name in ("a-sound-image-alone", "the-tide-gauge-alone", "every-kind-of-line"):
        text = " ".join(CASES[name]())
        (line,) = re.findall(r"not checked: (.*?); --all", " ".join(text.split()))
        causes = sum(int(count) for count in re.findall(r"(?:^|, )(\d+) ", re.sub(r"\(.*?\)", "", line)))
        (count,) = re.findall(r"(\d+) not checked", " ".join(text.split()))
        assert causes == int(count)


def test_what_does_not_apply_is_counted_apart() -> None:
    """Rules without anything to look at are no line of their own; ``--all`` says why."""
    rules = [rule("a-rule", absent="no seal"), rule("b-rule", absent="no stamp"), rule("c-rule", HOLDS)]
    result = result_of(rules)
    assert report_of(result)[-1] == "PASS: 1 rule holds, 0 broken, 2 do not apply."
    assert "a-rule" not in " ".join(report_of(result))
    assert {"      no seal", "      no stamp"} <= set(report_of(result, everything=True))


def test_names_cannot_forge_a_line() -> None:
    """Control characters in what a finding tells are escaped, in text and in tables."""
    for found in ("a\nPASS: 9 rules hold", "a  b\x1b[2K\rPASS: 9"):
        lines = report_of(result_of([rule("a-rule", Finding("what", ("station",), found=found))]))
        assert not [line for line in lines if line.startswith("PASS")]
        assert all(line.isprintable() for line in lines)


def test_one_rule_in_the_singular() -> None:
    """One rule holds, two hold."""
    assert report_of(result_of([rule("a-rule", HOLDS)]))[-1].startswith("PASS: 1 rule holds, 0 broken")
    both = [rule("a-rule", HOLDS), rule("b-rule", HOLDS)]
    assert report_of(result_of(both))[-1].startswith("PASS: 2 rules hold")


def test_a_check_without_rules_fails_and_says_so() -> None:
    """Where no rule could be applied that is told in words before the verdict."""
    lines = report_of(result_of([rule("a-rule", MISSING)]))
    assert "No rule could be applied: that is a failure, not a pass." in lines
    assert lines[-1].startswith("FAIL: 0 rules hold")
