"""The registry tests itself: every rule is named by the convention, documented, sourced and provoked."""

from __future__ import annotations

import re

import pytest
from check.make_renderings import (
    RENDERINGS,
    rendering_of,
    results,
    rules_with_tests,
    stored_rendering,
)

from gemel.audit.as_text import RECORD, SEAL
from gemel.checking import causes, rules
from gemel.checking.registry import all_rules, rule_named
from gemel.checking.rule import Rule
from gemel.release.read_back.rules import OTHER_FILE
from gemel.workflows.reading_back import ABOUT_BYTES

RULES = [pytest.param(rule, id=rule.name) for rule in all_rules()]
every_rule = pytest.mark.parametrize("rule", RULES, scope="module")
"""All tests of a rule follow each other, in one process, which makes the results of its cases once."""


def test_the_registry_finds_each_file_once() -> None:
    """There is one rule for each file of the folder, sorted by name, and each is found by its name."""
    import pkgutil

    files = sorted(module.name.replace("_", "-") for module in pkgutil.iter_modules(rules.__path__))
    assert [rule.name for rule in all_rules()] == files
    assert files, "no rule at all"
    assert all(rule_named(rule.name) is rule for rule in all_rules())
    assert rule_named("no-such-rule") is None


def test_every_test_module_belongs_to_a_rule() -> None:
    """No test or stored rendering is left behind when a rule goes or changes its name."""
    names = {rule.name for rule in all_rules()}
    assert set(rules_with_tests()) <= names
    assert {path.stem for path in RENDERINGS.glob("*.txt")} <= names


@every_rule
def test_rule_is_documented(rule: Rule) -> None:
    """Name, severity and the four texts of a rule are there and have the form that `explain` prints."""
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", rule.name)
    assert rule.severity in ("error", "warning", "note")
    assert rule.guards in ("image", "device"), "whether it can be waived where a seal is demanded"
    for name in ("checks", "why", "remedy"):
        text = getattr(rule, name)
        assert text.strip() == text, name
        assert text.endswith("."), name
        assert text[0].isupper() or not text[0].isalpha(), name
        assert "\n" not in text, f"{name} is one paragraph"
        assert "  " not in text, name
    assert not re.search(r"[.!?] ", rule.checks), "checks is one sentence"
    assert rule.absent, "says why there may be nothing to look at"
    assert not rule.absent.endswith("."), "absent is part of a line"


@every_rule
def test_rule_has_a_source(rule: Rule) -> None:
    """A rule names the place in a standard, or says that it is common practice or from memory."""
    known = r"section|clause|chapter|table|requirement|common practice|from memory|second-hand"
    assert re.search(known, rule.source, re.IGNORECASE)


@every_rule
def test_rule_is_provoked(rule: Rule) -> None:
    """Every case that should break a rule breaks it; each finding names parties, found, expected, and its causes."""
    broken = results(rule.name, "BREAKS")
    assert broken, "no fixture breaks it"
    for case, result in broken.items():
        assert result.rule is rule, case
        assert result.status == ("broken" if rule.severity == "error" else rule.severity), case
        for judged in result.findings:
            finding = judged.finding
            assert finding.parties, case
            assert all(finding.parties), case
            assert finding.what, case
            assert not finding.what.endswith("."), case
            assert finding.where, case
            assert finding.found, case
            assert finding.expected, case
            assert all(rule_named(cause) for cause, _ in finding.follows_from), case


@every_rule
def test_rule_is_kept(rule: Rule) -> None:
    """Every case that should keep a rule holds: it was applied, and nothing was left unchecked."""
    kept = results(rule.name, "KEEPS")
    assert kept, "no fixture keeps it"
    for case, result in kept.items():
        assert result.rule is rule, case
        assert result.status == "holds", case
        assert result.holds, case


@every_rule
def test_rule_speaks_as_stored(rule: Rule) -> None:
    """What a rule says of the fixtures that break it is word for word what is stored.

    After a wanted change: ``python tests/check/make_renderings.py`` and read the difference.
    """
    stored = stored_rendering(rule.name)
    assert stored.is_file(), f"no rendering; run {RENDERINGS.parent / 'make_renderings.py'}"
    assert rendering_of(rule.name) == stored.read_text(encoding="utf-8")


def test_what_is_stored_of_the_rules_is_what_they_say() -> None:
    """What is known of a rule without importing it is what its module says."""
    from check.make_stored_rules import FILE, text

    assert FILE.read_text(encoding="utf-8") == text(), "run tests/check/make_stored_rules.py"


def test_rules_that_others_name_are_there() -> None:
    """Causes, consequences and steps go by the names of rules: each is one, and guards what they take it to."""
    named = {each for name, each in vars(causes).items() if name.isupper() and isinstance(each, str)}
    assert len(named) > 5
    named |= {*causes.OF_LAYOUT, *OTHER_FILE, RECORD, SEAL}
    known = {rule.name: rule.guards for rule in all_rules()}
    assert named <= known.keys()
    assert {known.get(name) for name in ABOUT_BYTES} == {"image"}
