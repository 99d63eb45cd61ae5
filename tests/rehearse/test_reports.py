"""A rehearsal told as text, JSON and a picture."""

from __future__ import annotations

import html
import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import jsonschema
import pytest
from device_programs import GOAL, IDLE, REACHED, RELEASE, SLEEP, enabled, run
from rehearsals import Case, device, gauge
from rehearse.test_endings import ENDINGS
from schemas import exported_schema
from small_device import builds, joined, layout

from gemel.checking.identity import identity_of
from gemel.cli.main import exit_code
from gemel.inspection.inspection import Inspection
from gemel.rehearsal.kinds import ERRORS, UNJUDGED, WARNINGS
from gemel.rehearsal.limits import CAUTION, NOT_MODELLED, limits_page
from gemel.rehearsal.reports.json import report, report_data
from gemel.rehearsal.reports.svg import picture_of
from gemel.rehearsal.reports.text import report_of
from gemel.workflows.rehearsal_forms import rehearsal_text

CASES = {
    "sound": lambda: gauge("in-place"),
    "locked up": lambda: gauge("in-place", sampler="sampler-misplaced"),
    "interrupts": device,
    "never released": lambda: device(station="never-released"),
    "deep": lambda: device(sampler="deep-recursion"),
    "lock": lambda: device(sampler="keeps-lock"),
}
IDENTITY = identity_of(Inspection(layout(), joined().image, builds(), file="image.hex"))
SARIF_SCHEMA = Path(__file__).parents[1] / "check" / "schemas" / "sarif-schema-2.1.0.json"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(params=CASES)
def case(request: pytest.FixtureRequest) -> Case:
    """Each case in turn."""
    return CASES[request.param]()


def test_json_keeps_to_its_schema(case: Case) -> None:
    """The report validates against the published schema, in ASCII, and holds what the result holds."""
    rehearsal = case.rehearse()
    schema = exported_schema("rehearse-schema")
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(report_data(rehearsal, IDENTITY), schema)
    text = report(rehearsal, IDENTITY)
    assert text.isascii()
    data = json.loads(text)
    assert data["passes"] == rehearsal.passes
    assert [finding["kind"] for finding in data["findings"]] == [each.kind for each in rehearsal.findings]
    assert data["not_modelled"] == list(NOT_MODELLED)


def test_text_fits_80_columns_and_says_everything(case: Case) -> None:
    """Every line fits, findings, cores, limits and verdict are there."""
    rehearsal = case.rehearse()
    lines = report_of(rehearsal, everything=True)
    short = report_of(rehearsal)
    assert short[-1] == lines[-1]
    assert len(short) < len(lines)
    assert "gemel explain rehearsal" in " ".join(short)
    assert max(len(line) for line in lines) <= 80
    text = " ".join(" ".join(lines).split())
    for finding in rehearsal.findings:
        assert (
            f"{'BROKEN' if finding.severity == 'error' else 'WARNING'} {finding.kind} {finding.what}" in text
        )
    for told in (*NOT_MODELLED, CAUTION):
        assert " ".join(told.split()) in text
    assert f"{'PASS' if rehearsal.passes else 'FAIL'}: the rehearsal has " in text


VERDICTS = {
    "PASS: the rehearsal has no findings; every goal was reached (at": lambda: run(
        RELEASE + enabled(5) + REACHED, GOAL, sampler=IDLE
    ),
    "STARTED: the rehearsal has no findings; every core sleeps, and nothing that is modelled will wake one (at": (
        lambda: run(RELEASE + IDLE, "", sampler=IDLE)
    ),
    "FAIL: the rehearsal has 1 finding; every core sleeps, and nothing that is modelled will wake one (at": (
        lambda: run(RELEASE + SLEEP, "", sampler=IDLE)
    ),
    "NO VERDICT: the rehearsal has 1 finding; a core could not go on (at": lambda: run(
        RELEASE + ENDINGS["leaves-secure-state"][0], "", sampler=IDLE
    ),
}


@pytest.mark.parametrize("verdict", VERDICTS)
def test_the_last_line_is_the_verdict_in_a_word_of_its_own(verdict: str) -> None:
    """Text and data say of a rehearsal without goals that it started, and where one cannot be followed, just that."""
    rehearsal = VERDICTS[verdict]()
    text = " ".join(" ".join(report_of(rehearsal)).split())
    assert verdict in text
    word = verdict.partition(":")[0]
    assert text.count(f"{word}: ") == 1
    outcome = {"PASS": "passes", "FAIL": "fails"}.get(word, word.lower())
    assert report_data(rehearsal, IDENTITY)["outcome"] == outcome


def test_every_form_of_a_check_has_every_finding(case: Case) -> None:
    """SARIF, JUnit, page and lines have each finding under its kind, the limits, and the verdict of the text."""
    rehearsal = case.rehearse()
    inspection = Inspection(
        case.read,
        case.image,
        case.builds,
        rehearsal=rehearsal,
        file="image.hex",
        command="rehearse",
        options=(),
    )
    made = {form: rehearsal_text(rehearsal, inspection, form) for form in ("sarif", "junit", "lines", "html")}
    (run,) = json.loads(made["sarif"])["runs"]
    jsonschema.validate(json.loads(made["sarif"]), json.loads(SARIF_SCHEMA.read_text(encoding="utf-8")))
    failed = sorted(each["ruleId"] for each in run["results"] if each["kind"] == "fail")
    assert failed == sorted(each.kind for each in rehearsal.findings)
    assert run["automationDetails"]["id"].startswith("gemel rehearse/")
    assert run["properties"]["notModelled"] == list(NOT_MODELLED)
    assert run["properties"]["passes"] == rehearsal.passes
    suite = ET.fromstring(made["junit"])
    errors = {each.kind for each in rehearsal.findings if each.severity == "error"}
    assert {each.get("name") for each in suite.iter("testcase") if each.find("failure") is not None} == errors
    assert [
        each.get("value") for each in suite.iter("property") if each.get("name") == "not_modelled"
    ] == list(NOT_MODELLED)
    assert [line for line in made["lines"].splitlines() if line.endswith("]")] == [
        line for line in made["lines"].splitlines() if re.search(r" (error|warning): ", line)
    ]
    assert len(re.findall(r" (?:error|warning): ", made["lines"])) == len(rehearsal.findings)
    page = html.unescape(made["html"])
    assert all(finding.what in page for finding in rehearsal.findings)
    assert all(text in page for text in NOT_MODELLED)


def test_picture_has_a_lane_for_each_core(case: Case) -> None:
    """The SVG is well formed, has a name for each core and a mark for each event but vector writes."""
    rehearsal = case.rehearse()
    root = ET.fromstring(picture_of(rehearsal))
    names = [each.text for each in root.iter(f"{SVG}text") if each.get("class") == "name"]
    assert names == [core.name for core in rehearsal.cores]
    marks = len(list(root.iter(f"{SVG}circle")))
    assert marks == sum(event.kind != "vector-register" for event in rehearsal.events)
    width = float(root.get("width") or 0)
    assert all(0 <= float(each.get("x") or 0) <= width for each in root.iter(f"{SVG}text"))


def test_hostile_text_does_not_break_reports() -> None:
    """Control characters and markup that a device sends stay harmless in every form."""
    case = device()
    rehearsal = case.rehearse()
    from gemel import structs
    from gemel.rehearsal.raw_run import RawEvent
    from gemel.rehearsal.verdict.timeline import timeline_text

    event = RawEvent(0, "station", "text", None, {}, {"port": "p", "line": "</text>\x1b[31m\x00&<"})
    happening = structs.replace(rehearsal.events[0], kind="text", text=timeline_text(event, None))  # type: ignore[arg-type]
    changed = structs.replace(rehearsal, events=(happening,))
    ET.fromstring(picture_of(changed))
    assert "\x1b" not in "".join(report_of(changed))


def test_limits_page_says_every_limit() -> None:
    """The page that explain prints holds all of them and the caution, in 80 columns."""
    page = limits_page()
    assert max(len(line) for line in page.splitlines()) <= 80
    flat = " ".join(page.split())
    assert all(" ".join(text.split()) in flat for text in (*NOT_MODELLED, CAUTION))


@pytest.mark.parametrize("kind", sorted(ERRORS | UNJUDGED | WARNINGS))
def test_every_kind_of_finding_is_explained(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The name that a report begins a finding with leads to the rule that it breaks, as text and as data."""
    assert exit_code(["explain", kind]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith(f"{kind} is a finding of a rehearsal, by the rule rehearsal-passes:")
    assert exit_code(["explain", kind, "--format", "json"]) == 0
    assert [rule["name"] for rule in json.loads(capsys.readouterr().out)["rules"]] == ["rehearsal-passes"]
