"""Severities that a layout changes: what they make of a check, where they are told, what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from check.make_documents import case, change, document, ruled
from check.rule_fixtures import FINDING, HOLDS, result_of, rule, waiver
from image_edits import changed
from small_device import TODAY, builds, joined, layout_text, sampler_elf, station_elf

from gemel.checking.registry import all_rules
from gemel.checking.reports.as_json import report_data
from gemel.checking.reports.as_text import report_of
from gemel.checking.rule_changes import KEPT, WEIGHTS, severity_faults
from gemel.cli.main import exit_code
from gemel.errors import LayoutError
from gemel.image.intel_hex import encode
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import read_layout


@pytest.mark.parametrize(
    ("own", "changed_to", "passes"),
    [
        ("error", "warning", True),
        ("error", "note", True),
        ("warning", "error", False),
        ("note", "error", False),
        ("note", "warning", True),
    ],
)
def test_a_change_decides_whether_a_check_passes(own, changed_to: str, passes: bool) -> None:
    """A finding counts as the layout says: what is no error any more passes, what became one does not."""
    read = ruled(changes=(change("a-rule", changed_to),))
    result = result_of([rule("a-rule", FINDING, severity=own), rule("b-rule", HOLDS)], read)
    assert result.results[0].severity == changed_to
    assert result.passes is passes
    assert [each.name for each, _ in result.open_findings(changed_to)] == ["a-rule"]  # type: ignore[arg-type]
    assert result.results[1].change is None


def test_every_text_tells_a_change() -> None:
    """The report states the change and its reason, also of a rule that holds."""
    changes = (change("a-rule", "warning", "known on the bench"), change("b-rule", "note", "why not"))
    read = ruled(changes=changes)
    result = result_of([rule("a-rule", FINDING), rule("b-rule", HOLDS)], read)
    text = "\n".join(report_of(result))
    assert "WARNING a-rule" in text
    assert "severity of a-rule changed from error to warning: known on the bench\n" in text
    assert "severity of b-rule changed from error to note: why not\n\n" in text
    (first, _) = report_data(result, Inspection(read, joined(read).image, builds()), "tide.hex")["rules"]
    assert first["severity"] == "warning"
    assert first["severity_changed"] == {"from": "error", "reason": "known on the bench"}


def test_a_severity_that_is_the_rules_own_changes_nothing() -> None:
    """Writing down what a rule has anyway is allowed, and no report speaks of a change."""
    result = result_of([rule("a-rule", FINDING)], ruled(changes=(change("a-rule", "error"),)))
    assert result.results[0].change is None
    assert "severity" not in "\n".join(report_of(result))


def test_a_waiver_covers_whatever_the_severity() -> None:
    """A waiver and a change of the same rule go together."""
    read = ruled((waiver("a-rule"),), (change("a-rule", "error"),))
    result = result_of([rule("a-rule", FINDING, severity="note"), rule("b-rule", HOLDS)], read)
    assert result.results[0].status == "waived"
    assert result.passes


def test_the_record_is_the_same() -> None:
    """A severity does not enter the layout's digest: an image is judged, not changed."""
    assert ruled(changes=(change("record-sound", "warning"),)).digest == ruled().digest


def _faults(*changes: str) -> LayoutError:
    with pytest.raises(LayoutError) as caught:
        read_layout(ruled(changes=changes).text.encode(), "small.toml", [severity_faults])
    return caught.value


@pytest.mark.parametrize(
    ("name", "hint"),
    [("erase-block-apart", 'did you mean "erase-blocks-apart"?'), ("zzz", "gemel explain lists all rules")],
)
def test_a_severity_of_no_rule(name: str, hint: str) -> None:
    """An unknown name is told with its line and the nearest one there is."""
    (problem,) = _faults(change("record-sound", "warning"), change(name, "note")).problems
    assert (problem.found, problem.next_step) == (name, hint)
    assert problem.what == "unknown rule: rules.severity[1].rule"


def test_a_rule_has_one_severity() -> None:
    """A rule named twice is a fault, even with the same severity."""
    (problem,) = _faults(change("record-sound", "warning"), change("record-sound", "warning")).problems
    assert problem.what == "a rule with two severities: rules.severity[1].rule"


KEPT_RULES = [each for each in all_rules() if each.name.startswith(tuple(KEPT))]


@pytest.mark.parametrize("kept", [pytest.param(each, id=each.name) for each in KEPT_RULES])
@pytest.mark.parametrize("severity", WEIGHTS)
def test_rules_about_the_seal_keep_their_weight(kept, severity: str) -> None:
    """A rule about the seal or the rollback counter may count for more than by itself, never for less."""
    text = ruled(changes=(change(kept.name, severity),)).text.encode()
    if WEIGHTS[severity] >= WEIGHTS[kept.severity]:
        assert read_layout(text, "small.toml", [severity_faults]).layout.rules.severity
        return
    (problem,) = _faults(change(kept.name, severity)).problems
    assert (problem.found, problem.expected) == (severity, kept.severity)
    assert problem.next_step in KEPT.values()


def test_there_are_such_rules() -> None:
    """The names that the refusal goes by are those of rules that exist."""
    for start in KEPT:
        assert [each for each in KEPT_RULES if each.name.startswith(start)], start


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('{ rule = "record-sound", severity = "warning" }', "missing key: rules.severity[0].reason"),
        ('{ rule = "record-sound", severity = "warn", reason = "x" }', "unknown value"),
        ('{ rule = "record-sound", severity = "warning", reason = "" }', "text of the wrong length"),
    ],
)
def test_a_change_needs_all_three(table: str, words: str) -> None:
    """Rule, severity and a reason are due."""
    with pytest.raises(LayoutError) as caught:
        ruled(changes=(table,))
    assert words in caught.value.problems[0].what


def test_end_to_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    """On the command line a lowered rule lets an image pass and says so; an unknown name ends with 2."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("gemel.workflows.checking.date_of_today", lambda: TODAY)
    Path("station.elf").write_bytes(station_elf())
    Path("sampler.elf").write_bytes(sampler_elf())
    broken = changed(joined().image, {0x1000_2000: b"settings"})
    Path("image.hex").write_bytes(b"".join(encode(broken)))
    lowered = change("reserved-areas-untouched", "warning", "written on the line")
    for text, code in ((layout_text(), 1), (layout_text(add=f"\n[rules]\nseverity = [{lowered}]\n"), 0)):
        Path("small.toml").write_text(text, encoding="utf-8")
        assert exit_code(["check", "small.toml", "image.hex", "station=station.elf"]) == code
    assert "from error to warning: written on the line" in " ".join(capsys.readouterr().out.split())
    text = layout_text(add=f"\n[rules]\nseverity = [{change('no-such-rule', 'note')}]\n")
    Path("small.toml").write_text(text, encoding="utf-8")
    assert exit_code(["check", "small.toml", "image.hex"]) == 2
    assert "unknown rule" in capsys.readouterr().err


def test_sarif_and_json_agree() -> None:
    """Both machine forms give a changed rule the same level."""
    run = json.loads(document("every-kind", "sarif"))["runs"][0]
    levels = {it["ruleId"]: it["level"] for it in run["results"] if it["kind"] == "fail"}
    made = case("every-kind")
    rules = json.loads(json.dumps(report_data(made.result, made.subject, "tide.hex")))["rules"]
    assert levels == {it["name"]: it["severity"] for it in rules if it["findings"]}
