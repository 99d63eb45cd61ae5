"""The JSON report: as its schema says (jsonschema judges), complete, and the same for the same inputs."""

from __future__ import annotations

import getpass
import hashlib
import json
import os
import platform
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from check.rule_fixtures import FINDING, HOLDS, MISSING, result_of, rule, waiver, waiving
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from image_edits import changed, holding
from schemas import exported_schema
from small_device import STATION, TODAY, builds, joined, layout

from gemel import __version__
from gemel.builds.build import Build
from gemel.checking.reports.as_json import report, report_data
from gemel.checking.reports.as_text import CAUTION
from gemel.checking.runner import RulesApplied, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout
from gemel.spans import Span
from gemel.structs import replace

VALIDATOR = jsonschema.Draft202012Validator(
    exported_schema("check-schema"), format_checker=jsonschema.FormatChecker()
)


def _subject(
    read: ReadLayout | None = None, image: SparseBytes | None = None, handed: dict[str, Build] | None = None
) -> Inspection:
    read = read or layout()
    return Inspection(
        read, joined(read).image if image is None else image, builds() if handed is None else handed
    )


def _data(subject: Inspection, result: RulesApplied | None = None) -> dict[str, Any]:
    text = report(result or check(subject, TODAY), subject, "tide.hex")
    data = json.loads(text)
    VALIDATOR.validate(data)
    assert data == report_data(result or check(subject, TODAY), subject, "tide.hex")
    return data


def test_the_schema_is_one() -> None:
    """The schema is sound by its own standard and allows no key that it does not name."""
    jsonschema.Draft202012Validator.check_schema(exported_schema("check-schema"))
    assert exported_schema("check-schema")["additionalProperties"] is False


CASES = {
    "sound": lambda: _subject(),
    "alone": lambda: _subject(handed={}),
    "empty": lambda: _subject(image=SparseBytes(), handed={}),
    "changed": lambda: _subject(image=changed(joined().image, {STATION: b"\0" * 300})),
    "outside everything": lambda: _subject(image=holding({0: b"\1", 0xFFFF_FFFF: b"\2"})),
    **{
        name: lambda name=name: _subject(gauge(name), join(gauge(name), gauge_builds(name)).image, {})
        for name in ARRANGEMENTS
    },
}


@pytest.mark.parametrize("case", CASES)
def test_reports_keep_to_the_schema(case: str) -> None:
    """Reports of sound, broken, empty and strange images are valid and count what they list."""
    data = _data(CASES[case]())
    for status, count in data["counts"].items():
        assert count == sum(each["status"] == status for each in data["rules"]), status
    assert sum(data["counts"].values()) == len(data["rules"])
    open_errors = [
        each
        for each in data["rules"]
        if each["severity"] == "error" and any(not finding["waived_by"] for finding in each["findings"])
    ]
    assert data["passes"] == (not open_errors)
    assert data["failing"] == [each["name"] for each in open_errors]
    for severity, count in data["severities"].items():
        findings = [one for each in data["rules"] if each["severity"] == severity for one in each["findings"]]
        assert count == sum(one["waived_by"] is None for one in findings), severity
    assert data["caution"] == CAUTION


def test_what_is_told_of_image_and_builds() -> None:
    """Layout, image and builds are identified by digests, names and ids, recomputed here."""
    subject = _subject()
    data = _data(subject)["identity"]
    assert data["tool"] == {"name": "gemel", "version": __version__}
    assert (data["layout_product"], data["layout_digest"]) == ("small-device", subject.read.digest.hex())
    assert data["layout"]["sha256"] == hashlib.sha256(subject.read.text.encode()).hexdigest()
    digest = hashlib.sha256()
    for span in subject.image.spans():
        digest.update(span.start.to_bytes(4, "little") + span.size.to_bytes(4, "little"))
        digest.update(subject.image.read(span, None))
    assert data["image"]["content_sha256"] == digest.hexdigest()
    assert data["image"]["name"] == "tide.hex"
    assert data["image"]["spans"] == [
        {"start": span.start, "size": span.size, "text": str(span)} for span in subject.image.spans()
    ]
    station, sampler = data["builds"]
    assert (station["name"], station["core"], station["kind"]) == ("station", "station", "elf")
    assert station["build_id"] == bytes(range(20)).hex()
    assert (sampler["known_from"], sampler["stored"]["text"]) == ("build", "0x1000_1000..0x1000_1127")


@pytest.mark.parametrize(
    ("image", "known_from"), [(joined().image, "record"), (holding({STATION: b"\1" * 8}), "layout")]
)
def test_where_knowledge_of_builds_comes_from(image: SparseBytes, known_from: str) -> None:
    """Without builds their place comes from the record, else from the bytes of the area, and that is said."""
    data = _data(_subject(image=image, handed={}))["identity"]
    assert data["builds"][0]["known_from"] == known_from
    assert data["builds"][0]["missing"] == ["everything: the build was not given"]
    assert data["builds"][0]["kind"] is None


def test_findings_waivers_and_places_not_checked() -> None:
    """Everything a rule says is in the report: findings, waivers, what was not checked."""
    read = waiving(waiver("b-rule"), waiver("c-rule", until="2026-01-01"), waiver("d-rule", "nobody"))
    full = replace(FINDING, span=Span(STATION, 4), lines=("evidence",), next_step="do this")
    rules = [
        rule("a-rule", full, HOLDS),
        rule("b-rule", FINDING),
        rule("c-rule", FINDING),
        rule("d-rule", HOLDS),
    ]
    rules.append(rule("e-rule", MISSING, severity="note"))
    data = _data(_subject(read), result_of(rules, read))
    first, second, third, _, last = data["rules"]
    assert first["findings"][0] == {
        "what": "what is wrong",
        "parties": ["station", "station-code"],
        "where": "where it is",
        "found": "what was found",
        "expected": "what was expected",
        "span": {"start": STATION, "size": 4, "text": "0x1000_0000..0x1000_0003"},
        "next_step": "do this",
        "lines": ["evidence"],
        "waived_by": None,
        "ended_waiver": None,
        "waiver_refused": "",
    }
    assert first["holds"] == ["build station"]
    expected = {"rule": "b-rule", "where": "station", "reason": "agreed", "until": "2027-06-30"}
    assert second["findings"][0]["waived_by"] == expected
    assert second["findings"][0]["next_step"] == rules[1].step_after(FINDING) != ""
    assert third["findings"][0]["ended_waiver"]["until"] == "2026-01-01"
    assert [each["rule"] for each in data["idle_waivers"]] == ["d-rule"]
    assert last["not_checked"] == [
        {
            "where": "build sampler",
            "reason": "needs the build: sampler=FILE",
            "kind": "build",
            "needs": [{"kind": "build", "name": "sampler", "build": None}],
        }
    ]
    assert (data["passes"], last["severity"]) == (False, "note")


def test_a_check_without_rules_does_not_pass() -> None:
    """No rule applied is no pass in JSON either."""
    assert _data(_subject(), result_of([]))["passes"] is False


@pytest.mark.parametrize("case", CASES)
def test_nothing_of_the_machine_is_in_it(case: str) -> None:
    """No folder, host, user or time enters a report; two of the same inputs are the same text."""
    subject = CASES[case]()
    text = report(check(subject, TODAY), subject, "tide.hex")
    again = CASES[case]()
    assert report(check(again, TODAY), again, "tide.hex") == text
    told = [str(Path.cwd()), str(Path(__file__).parent), os.path.expanduser("~") + os.sep, platform.node()]
    assert [each for each in (*told, str(TODAY)) if len(each) > 3 and each in text] == []
    assert f'"{getpass.getuser()}"' not in text
