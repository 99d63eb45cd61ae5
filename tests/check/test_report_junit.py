"""The JUnit file: valid by a schema, read by an independent reader, true to the result, sound XML."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import junitparser
import pytest
import xmlschema
from check.make_documents import CASES, STORED, case, document, stored
from check.rule_fixtures import FINDING, rule
from hypothesis import given
from hypothesis import strategies as st
from small_device import TODAY, builds, joined, layout

from gemel.checking.reports.as_junit import report
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.structs import replace

SCHEMA = xmlschema.XMLSchema(str(Path(__file__).parent / "schemas" / "junit.xsd"))
every_case = pytest.mark.parametrize("name", CASES)


def _suite(name: str) -> ElementTree.Element:
    root = ElementTree.fromstring(document(name, "junit").encode())
    assert root.tag == "testsuites"
    (suite,) = root
    return suite


def test_the_schema_refuses_what_is_not_junit() -> None:
    """The schema notices a missing name, a wrong order and an unknown element."""
    for text in (
        "<testsuites><testsuite tests='1'/></testsuites>",
        "<testsuite name='a' tests='1'><testcase name='b'><failure/><skipped/></testcase></testsuite>",
        "<testsuites><testcase name='a'/></testsuites>",
    ):
        assert not SCHEMA.is_valid(text), text


@every_case
def test_files_are_valid(name: str) -> None:
    """Files of sound, broken, empty, strange and real images keep to the schema."""
    SCHEMA.validate(document(name, "junit"))


@every_case
def test_an_independent_reader_counts_the_same(name: str) -> None:
    """``junitparser``, from PyPI, reads the file and counts failures, errors and skipped cases as it says."""
    read = junitparser.JUnitXml.fromstring(document(name, "junit").encode())
    (suite,) = read
    said = (suite.tests, suite.failures, suite.errors, suite.skipped)
    suite.update_statistics()
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == said


@pytest.mark.parametrize("name", STORED)
def test_files_are_as_stored(name: str) -> None:
    """Word for word.  After a wanted change run ``tests/check/make_documents.py`` and read it."""
    assert document(name, "junit") == stored(name, "junit").read_text(encoding="utf-8")


@every_case
def test_counts_are_those_of_the_cases(name: str) -> None:
    """The suite counts the cases that it holds, and it fails exactly when the check does."""
    suite, result = _suite(name), case(name).result
    cases = suite.findall("testcase")
    for tag, count in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        assert int(suite.get(count, "")) == sum(it.find(tag) is not None for it in cases), tag
        assert int(suite.get(count, "")) == len(list(suite.iter(tag))), tag
    assert int(suite.get("tests", "")) == len(cases)
    failing = int(suite.get("failures", "")) + int(suite.get("errors", ""))
    assert (failing == 0) == result.passes


@every_case
def test_every_rule_is_a_case(name: str) -> None:
    """Each rule is a case of its name, failed, skipped or passed as its outcomes say."""
    cases = {it.get("name"): it for it in _suite(name).findall("testcase")}
    for each in case(name).result.results:
        it = cases[each.rule.name]
        broken = [judged for judged in each.findings if judged.waiver is None and each.severity == "error"]
        failures = it.findall("failure")
        assert len(failures) == bool(broken)
        if broken:
            several = f"{len(broken)} findings; the first: " if len(broken) > 1 else ""
            assert failures[0].get("message") == several + _readable(broken[0].finding.what)
        assert (it.find("skipped") is not None) == (each.status in ("not checked", "does not apply"))
        text = "".join(it.itertext())
        for missing in each.not_checked:
            assert missing.reason in text
        for judged in each.findings:
            assert _readable(judged.finding.what.split()[0]) in text


def _readable(words: str) -> str:
    return "".join(c if c.isprintable() else f"\\u{ord(c):04X}" for c in words)


def test_what_fails_nothing_is_told() -> None:
    """Warnings, notes, waivers and changed severities stand in the case that passes."""
    cases = _suite("every-kind").findall("testcase")
    text = {it.get("name"): it.findtext("system-out", "") for it in cases}
    assert text["b-rule"].startswith("warning\n  what is wrong")
    assert text["c-rule"].startswith("note\n")
    assert text["d-rule"].startswith("waived until 2027-06-30: the sampler is never updated alone\n")
    assert text["l-rule"].endswith("severity changed from error to warning: <this> & that")
    assert text["m-rule"] == "severity changed from note to error: it must hold here"


def test_a_check_without_rules_is_an_error() -> None:
    """Where no rule could be applied one case says so, so that no server shows a pass."""
    for name in ("no-rule-applied", "no rule"):
        (error,) = _suite(name).iter("error")
        assert "that is a failure" in error.get("message", "")


@given(st.text(), st.text())
def test_any_text_is_sound_xml(what: str, product: str) -> None:
    """Whatever a finding says, the file parses and is valid; what XML can hold is read back as it was."""
    finding = replace(FINDING, what=what or "x", lines=(what,))
    subject = SUBJECT
    text = report(check(subject, TODAY, [rule("a-rule", finding)]), subject, product)
    data = text.encode("utf-8")
    root = ElementTree.fromstring(data)
    assert SCHEMA.is_valid(text)
    message = root[0].find("testcase/failure").get("message")  # type: ignore[union-attr]
    if all(c in "\t\n\r" or c.isprintable() for c in what):
        assert message == (what or "x")


SUBJECT = Inspection(layout(), joined().image, builds())


def test_two_files_are_the_same_bytes() -> None:
    """The same inputs give the same bytes, with no time in them."""
    texts = []
    for _ in range(2):
        subject = Inspection(layout(), joined().image, builds())
        texts.append(report(check(subject, TODAY), subject, "tide.hex"))
    assert texts[0] == texts[1]
    assert "time" not in texts[0].split("<testcase", 1)[0]
    assert str(TODAY) not in texts[0]
