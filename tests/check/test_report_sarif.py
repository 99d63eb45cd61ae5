"""The SARIF log: valid by the published schema, true to the result, the same for the same inputs."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from check.make_documents import CASES, DOCUMENTS, STORED, SUFFIXES, case, document, stored
from check.rule_fixtures import FINDING, rule
from small_device import STATION, TODAY, builds, joined, layout, layout_text

from gemel.checking.reports.as_sarif import report_data
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import read_layout
from gemel.spans import Span
from gemel.structs import replace

SCHEMA = json.loads((Path(__file__).parent / "schemas" / "sarif-schema-2.1.0.json").read_text("utf-8"))
VALIDATOR = jsonschema.Draft7Validator(SCHEMA)
every_case = pytest.mark.parametrize("name", CASES)


@cache
def _run(name: str) -> dict[str, Any]:
    """The one run of a case's log."""
    (run,) = json.loads(document(name, "sarif"))["runs"]
    return run


def test_the_schema_is_the_published_one() -> None:
    """The schema is that of the standard, sound by its own, and refuses what is not SARIF."""
    VALIDATOR.check_schema(SCHEMA)
    assert SCHEMA["$id"].endswith("sarif-schema-2.1.0.json")
    for spoil in (
        lambda log: log.pop("version"),
        lambda log: log["runs"][0]["results"][0].update(kind="fails"),
        lambda log: log["runs"][0].update(address=[]),
    ):
        log = json.loads(document("sound", "sarif"))
        spoil(log)
        assert not VALIDATOR.is_valid(log)


@every_case
def test_logs_are_valid(name: str) -> None:
    """Logs of sound, broken, empty, strange and real images keep to the published schema."""
    VALIDATOR.validate(json.loads(document(name, "sarif")))


@pytest.mark.parametrize("name", STORED)
def test_logs_are_as_stored(name: str) -> None:
    """Word for word.  After a wanted change run ``tests/check/make_documents.py`` and read it."""
    assert document(name, "sarif") == stored(name, "sarif").read_text(encoding="utf-8")


def test_no_document_is_left_behind() -> None:
    """Every stored document has its case and form."""
    expected = sorted(stored(name, form).name for name in STORED for form in SUFFIXES)
    assert sorted(path.name for path in DOCUMENTS.iterdir()) == expected


@every_case
def test_every_outcome_is_a_result(name: str) -> None:
    """Each place that a rule looked at, or could not, is one result of the due kind and level."""
    result = case(name).result
    results = _run(name)["results"]
    for index, each in enumerate(result.results):
        own = [it for it in results if it["ruleIndex"] == index]
        assert {it["ruleId"] for it in own} == {each.rule.name}
        kinds = [it["kind"] for it in own]
        assert kinds.count("fail") == len(each.findings)
        assert kinds.count("pass") == len(each.holds)
        assert kinds.count("open") == len(each.not_checked)
        assert kinds.count("notApplicable") == len(each.not_applicable)
        for it in own:
            assert it["level"] == (each.severity if it["kind"] == "fail" else "none")
    assert len(results) == sum(
        len((*each.findings, *each.holds, *each.not_checked, *each.not_applicable)) for each in result.results
    )


@every_case
def test_every_rule_is_described(name: str) -> None:
    """The tool lists each rule, in the order that results count in, with its texts and its own severity."""
    described = _run(name)["tool"]["driver"]["rules"]
    rules = [each.rule for each in case(name).result.results]
    assert [it["id"] for it in described] == [each.name for each in rules]
    for it, each in zip(described, rules, strict=True):
        assert it["shortDescription"]["text"] == _doubled(each.checks)
        assert it["fullDescription"]["text"] == _doubled(each.why)
        assert it["help"]["text"] == _doubled(f"{each.remedy}\n\nSource: {each.source}")
        assert it["defaultConfiguration"] == {"level": each.severity}


def _doubled(words: str) -> str:
    return words.replace("{", "{{").replace("}", "}}")


@every_case
def test_addresses_lie_where_they_say(name: str) -> None:
    """A finding's address has its span's numbers, and its parent covers it at the offset that is told."""
    run = _run(name)
    fails = iter([it for it in run["results"] if it["kind"] == "fail"])
    for each in case(name).result.results:
        for judged in each.findings:
            physical = next(fails)["locations"][0]["physicalLocation"]
            assert physical["artifactLocation"] == {"uri": "tide.hex", "index": 0}
            span = judged.finding.span
            assert ("address" in physical) == (span is not None)
            if span is None:
                continue
            address = physical["address"]
            assert (address["absoluteAddress"], address["length"]) == tuple(span)
            if "parentIndex" in address:
                parent = run["addresses"][address["parentIndex"]]
                outer = Span(parent["absoluteAddress"], parent["length"])
                assert outer.covers(span)
                assert address["offsetFromParent"] == span.start - outer.start


@every_case
def test_cached_addresses_are_the_layouts(name: str) -> None:
    """``run.addresses`` holds the memories and areas of the layout, each area inside its memory."""
    run, told = _run(name), case(name).subject.layout
    names = [it["name"] for it in run["addresses"]]
    assert names == [*told.memories, *told.areas]
    for index, it in enumerate(run["addresses"]):
        assert it["index"] == index
        if it["kind"] == "section":
            parent = run["addresses"][it["parentIndex"]]
            assert parent["name"] == told.areas[it["name"]].memory
            assert it["absoluteAddress"] == parent["absoluteAddress"] + it["offsetFromParent"]


@every_case
def test_lines_of_the_layout_are_right(name: str) -> None:
    """Each party that the layout declares is related by the line that declares it."""
    lines = case(name).subject.read.text.splitlines()
    found = 0
    for it in _run(name)["results"]:
        for related in it.get("relatedLocations", []):
            kind, _, party = related["message"]["text"].partition(" ")
            line = lines[related["physicalLocation"]["region"]["startLine"] - 1]
            plain = re.sub(r'["\s]', "", line)
            expected = (f"[{kind}.{party}]", f"{party}={{", f"[[{kind}]]", f"[{kind}.{party}.")
            assert plain.startswith(expected), (related, line)
            found += 1
    assert found or not any(it["kind"] == "fail" for it in _run(name)["results"])


def test_waivers_are_suppressions() -> None:
    """A waived finding is suppressed from outside, with reason and line of the waiver; an ended one not."""
    run = _run("every-kind")
    by_rule = {it["ruleId"]: it for it in run["results"] if it["kind"] == "fail"}
    (suppression,) = by_rule["d-rule"]["suppressions"]
    assert (suppression["kind"], suppression["status"]) == ("external", "accepted")
    assert suppression["justification"] == "the sampler is never updated alone (until 2027-06-30)"
    line = suppression["location"]["physicalLocation"]["region"]["startLine"]
    assert '"d-rule"' in case("every-kind").subject.read.text.splitlines()[line - 1]
    assert [name for name, it in by_rule.items() if it["suppressions"]] == ["d-rule"]
    ended = by_rule["e-rule"]["message"]["text"].splitlines()[-1]
    assert ended == "waiver: ended on 2026-01-31: until the next board"
    (notification,) = run["invocations"][0]["toolExecutionNotifications"]
    assert notification["message"]["text"].startswith("Waiver without a finding: f-rule at sampler-code")


def test_changed_severities_are_overrides() -> None:
    """What the layout changes is told as an override of the rule's configuration, with the reason."""
    run = _run("every-kind")
    overrides = run["invocations"][0]["ruleConfigurationOverrides"]
    levels = {it["descriptor"]["id"]: it["configuration"]["level"] for it in overrides}
    assert levels == {"l-rule": "warning", "m-rule": "error"}
    reasons = [it["properties"]["reason"] for it in overrides]
    assert reasons == ["<this> & that", "it must hold here"]
    rules = run["tool"]["driver"]["rules"]
    assert all(rules[it["descriptor"]["index"]]["id"] == it["descriptor"]["id"] for it in overrides)
    (finding,) = [it for it in run["results"] if it["ruleId"] == "l-rule"]
    assert finding["level"] == "warning"


def test_a_check_without_rules_did_not_succeed() -> None:
    """Where no rule could be applied the log says that the check failed, with an error."""
    for name in ("no-rule-applied", "no rule"):
        (invocation,) = _run(name)["invocations"]
        assert not invocation["executionSuccessful"]
        (notification,) = invocation["toolExecutionNotifications"]
        assert notification["level"] == "error"
    (invocation,) = _run("changed byte")["invocations"]
    assert invocation["executionSuccessful"], "findings are no failure of the check itself"


def test_messages_have_no_placeholders() -> None:
    """Braces are doubled: no viewer takes them for a placeholder (SARIF 2.1.0, 3.11.5, from memory)."""
    fails = [it for it in _run("every-kind")["results"] if it["kind"] == "fail"]
    (finding,) = [it for it in fails if it["ruleId"] == "a-rule"]
    assert "{{braces}}" in finding["message"]["text"]
    assert not re.search(r"(?<!\{)\{(?!\{)", finding["message"]["text"])


def _fingerprints(*findings: object, product: str = "small-device") -> list[str]:
    read = layout(replace={'product = "small-device"': f'product = "{product}"'})
    subject = Inspection(read, joined(read).image, builds())
    result = check(subject, TODAY, [rule("a-rule", *findings)])  # type: ignore[arg-type]
    (run,) = report_data(result, subject, "tide.hex")["runs"]
    return [it["partialFingerprints"]["gemelFinding/v1"] for it in run["results"]]


def test_fingerprints_know_a_finding_again() -> None:
    """Another address, value or wording is the same finding; another party, product or number is not."""
    (first,) = _fingerprints(FINDING)
    moved = replace(FINDING, what="other words", found="0x1", where="elsewhere", span=Span(STATION + 4, 8))
    assert _fingerprints(moved) == [first]
    assert _fingerprints(replace(FINDING, parties=("station",))) != [first]
    assert _fingerprints(FINDING, product="another") != [first]
    twice = _fingerprints(FINDING, moved)
    assert twice[0] == first
    assert twice[1] != first
    assert re.fullmatch(r"[0-9a-f]{64}", first)


@pytest.mark.parametrize(
    ("name", "uri"),
    [
        ("tide.hex", "tide.hex"),
        ("tide gauge #1?.hex", "tide%20gauge%20%231%3F.hex"),
        ("C:pegel.hex", "C%3Apegel.hex"),
        ("flüt.hex", "fl%C3%BCt.hex"),
        ("raw\udcff.hex", "raw%ED%B3%BF.hex"),
    ],
)
def test_file_names_are_uri_references(name: str, uri: str) -> None:
    """A name becomes a relative reference by RFC 3986: nothing in it reads as scheme, query or fragment."""
    subject = case("sound").subject
    (run,) = report_data(case("sound").result, subject, name)["runs"]
    assert run["artifacts"][0]["location"]["uri"] == uri
    assert run["artifacts"][1]["location"]["uri"] == "small.toml"
    assert [it["location"]["uri"] for it in run["artifacts"][2:]] == ["station.elf", "sampler.elf"]


def test_nothing_of_the_machine_is_in_it() -> None:
    """The layout's folder is left out, and two checks of the same inputs give the same text."""
    text = layout_text(add="\n")
    read = read_layout(text.encode(), "/somewhere/deep/small.toml")
    logs = []
    for _ in range(2):
        subject = Inspection(read, joined(read).image, builds())
        logs.append(json.dumps(report_data(check(subject, TODAY), subject, "tide.hex")))
    assert logs[0] == logs[1]
    assert "somewhere" not in logs[0]
    assert str(TODAY) not in logs[0]
