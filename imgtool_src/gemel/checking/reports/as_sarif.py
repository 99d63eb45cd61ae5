"""The result of a check as a SARIF 2.1.0 log (OASIS Static Analysis Results Interchange Format).

    tool.driver.rules     every rule with its texts: checks, why, remedy and source
    artifacts             the image (analysis target), the layout, the given builds, by file name
    addresses             memories and areas of the layout
    invocations           severities that the layout changes; waivers that cover nothing
    results               one for each place that a rule looked at

Kinds of results (section 3.27.9): a finding is ``fail`` with its severity as level, a place where the rule
holds ``pass``, one that it could not look at ``open``, a rule with nothing to look at ``notApplicable``; all
but ``fail`` have level ``none`` (3.27.10).  A waived finding has an ``external`` suppression (3.35): it is
kept in the layout, not in what was analysed.  Section numbers are from memory.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any, get_args

from gemel.checking.identity import identity_of
from gemel.checking.reports.as_text import CAUTION
from gemel.checking.reports.documents import SCHEMA, file_uri
from gemel.checking.reports.sarif_places import Addresses, LayoutLines
from gemel.checking.rule import Rule
from gemel.checking.runner import Judged, RuleResult, RulesApplied, RuleStatus
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Waiver
from gemel.outcomes import Finding
from gemel.text.as_json import data_of, json_text
from gemel.version import __version__

IMAGE, LAYOUT = 0, 1
"""Indices into ``run.artifacts``."""


def report(result: RulesApplied, inspection: Inspection, image_name: str) -> str:
    """The log as JSON text, its last line ended.  Names no path, host, user or time."""
    return json_text(report_data(result, inspection, image_name))


def report_data(result: RulesApplied, inspection: Inspection, image_name: str) -> dict[str, Any]:
    """The log as plain data."""
    return {"$schema": SCHEMA, "version": "2.1.0", "runs": [_Run(result, inspection, image_name).data()]}


class _Run:
    """What the parts of one run share: the places that results point at, and names of files."""

    def __init__(self, result: RulesApplied, inspection: Inspection, image_name: str) -> None:
        self.result, self.inspection = result, inspection
        self.layout_name = inspection.read.name
        self.image_name = image_name
        self.identity = identity_of(inspection, image_name)
        self.addresses = Addresses(inspection.layout)
        findings = [judged.finding for each in result.results for judged in each.findings]
        self.lines = LayoutLines(inspection.read, (name for finding in findings for name in finding.parties))
        self.seen: dict[tuple[str, ...], int] = {}

    def data(self) -> dict[str, Any]:
        """The run object (section 3.14)."""
        product, rehearsal = self.inspection.layout.product, self.inspection.rehearsal
        return {
            "tool": {"driver": _driver(self.result)},
            "language": "en",
            "automationDetails": {"id": f"gemel {self.inspection.command}/{product}/"},
            "invocations": [self._invocation()],
            "artifacts": self._artifacts(),
            "addresses": self.addresses.objects,
            "results": [
                {"ruleId": each.rule.name, "ruleIndex": index, **one}
                for index, each in enumerate(self.result.results)
                for one in self._results(each)
            ],
            "properties": {
                "identity": data_of(self.identity),
                "product": product,
                "layoutSha256": self.inspection.read.digest.hex(),
                "passes": self.result.passes,
                "failing": [each.rule.name for each in self.result.failing],
                "counts": {status: self.result.count(status) for status in get_args(RuleStatus)},
                "caution": CAUTION,
                **({"notModelled": list(rehearsal.not_modelled)} if rehearsal else {}),
            },
        }

    def _artifacts(self) -> list[dict[str, Any]]:
        image = self.identity.image
        names: list[tuple[str, str, str | None]] = [
            (self.image_name, "analysisTarget", image.sha256),
            (self.layout_name, "userSpecifiedConfiguration", self.inspection.read.file_sha256.hex()),
        ]
        names += [(build.file, "referencedOnCommandLine", None) for build in self.inspection.builds.values()]
        artifacts: list[dict[str, Any]] = []
        for index, (name, role, digest) in enumerate(names):
            artifacts.append({"location": {"uri": file_uri(name), "index": index}, "roles": [role]})
            if digest:
                artifacts[-1]["hashes"] = {"sha-256": digest}
        if image.size is not None:
            artifacts[IMAGE]["length"] = image.size
        return artifacts

    def _invocation(self) -> dict[str, Any]:
        """Section 3.20; a check that could apply no rule did not execute successfully."""
        changed = [(index, each) for index, each in enumerate(self.result.results) if each.change]
        notes = [_notification("note", _idle_words(waiver)) for waiver in self.result.idle_waivers]
        if not self.result.checked_anything:
            notes.append(_notification("error", "No rule could be applied: that is a failure, not a pass."))
        return {
            "executionSuccessful": self.result.checked_anything,
            "ruleConfigurationOverrides": [
                {
                    "descriptor": {"id": each.rule.name, "index": index},
                    "configuration": {"level": each.severity},
                    "properties": {"reason": each.change.reason if each.change else ""},
                }
                for index, each in changed
            ],
            "toolExecutionNotifications": notes,
        }

    def _results(self, each: RuleResult) -> Iterator[dict[str, Any]]:
        for judged in each.findings:
            yield self._finding(each, judged)
        for held in each.holds:
            yield {**_judged("pass", f"holds: {held.where}"), **_logical(held.where)}
        for none in each.not_applicable:
            words = f"does not apply: {none.where}: {none.reason}" if none.where else none.reason
            yield {**_judged("notApplicable", words), **_logical(none.where)}
        for missing in each.not_checked:
            words = f"not checked: {missing.where}: {missing.reason}" if missing.where else missing.reason
            needs = [{"kind": need.kind, "name": need.name} for need in missing.needs]
            properties = {"properties": {"kind": missing.kind, "needs": needs}}
            yield {**_judged("open", words), **_logical(missing.where), **properties}

    def _finding(self, each: RuleResult, judged: Judged) -> dict[str, Any]:
        finding = judged.finding
        physical: dict[str, Any] = {"artifactLocation": {"uri": file_uri(self.image_name), "index": IMAGE}}
        if finding.span is not None:
            physical["address"] = self.addresses.of(finding.span)
        place = {"physicalLocation": physical, **_logical(finding.where, "logicalLocations")}
        ended = judged.ended
        evidence = {
            "found": finding.found,
            "expected": finding.expected,
            "parties": list(finding.parties),
            "lines": list(finding.lines),
            "nextStep": each.rule.step_after(finding),
            **({"endedWaiver": f"ended on {ended.until}: {ended.reason}"} if ended else {}),
        }
        return {
            "kind": "fail",
            "level": each.severity,
            "message": _message(finding, each.rule, ended),
            "locations": [place],
            "relatedLocations": self._declarations(finding),
            "partialFingerprints": {"gemelFinding/v1": self._fingerprint(each.rule, finding)},
            "suppressions": [self._suppression(judged.waiver)] if judged.waiver else [],
            "properties": evidence,
        }

    def _declarations(self, finding: Finding) -> list[dict[str, Any]]:
        """Where the layout declares each party of the finding."""
        found = [pair for name in finding.parties for pair in self.lines.of(name)]
        return [
            {"id": number, "message": _text(words), **self._at_line(line)}
            for number, (words, line) in enumerate(found, 1)
        ]

    def _at_line(self, line: int) -> dict[str, Any]:
        where = {"uri": file_uri(self.layout_name), "index": LAYOUT}
        return {"physicalLocation": {"artifactLocation": where, "region": {"startLine": line}}}

    def _suppression(self, waiver: Waiver) -> dict[str, Any]:
        return {
            "kind": "external",
            "status": "accepted",
            "justification": f"{waiver.reason} (until {waiver.until})",
            "location": self._at_line(self.lines.of_waiver(waiver)),
        }

    def _fingerprint(self, rule: Rule, finding: Finding) -> str:
        """The same for a later image of the product that breaks the same rule between the same parties.

        No address, value or wording enters; a second finding between the same parties has its own.
        """
        parts = (self.inspection.layout.product, rule.name, *finding.parties)
        self.seen[parts] = self.seen.get(parts, 0) + 1
        return hashlib.sha256(
            "\0".join((*parts, str(self.seen[parts]))).encode("utf-8", "surrogatepass")
        ).hexdigest()


def _driver(result: RulesApplied) -> dict[str, Any]:
    """The tool component (section 3.19) with every rule as a reporting descriptor (3.49)."""
    return {
        "name": "gemel",
        "version": __version__,
        "rules": [
            {
                "id": each.rule.name,
                "shortDescription": _text(each.rule.checks),
                "fullDescription": _text(each.rule.why),
                "help": _text(f"{each.rule.remedy}\n\nSource: {each.rule.source}"),
                "defaultConfiguration": {"level": each.rule.severity},
                "properties": {"source": each.rule.source, "status": each.status},
            }
            for each in result.results
        ],
    }


def _judged(kind: str, words: str) -> dict[str, Any]:
    return {"kind": kind, "level": "none", "message": _text(words)}


def _logical(where: str, key: str = "") -> dict[str, Any]:
    """A place in words as a logical location, or as the locations of a result; nothing for no words."""
    if not where:
        return {}
    places = [{"fullyQualifiedName": where}]
    return {key: places} if key else {"locations": [{"logicalLocations": places}]}


def _message(finding: Finding, rule: Rule, ended: Waiver | None) -> dict[str, str]:
    """What viewers show: the sentence, then found, expected, evidence and next step, a line each."""
    lines = [f"{finding.what}."]
    lines += [f"found: {finding.found}"] if finding.found else []
    lines += [f"expected: {finding.expected}"] if finding.expected else []
    lines += finding.lines
    lines.append(f"next: {rule.step_after(finding)}")
    lines += [f"waiver: ended on {ended.until}: {ended.reason}"] if ended else []
    return _text("\n".join(lines))


def _text(words: str) -> dict[str, str]:
    """A message string; braces are doubled, since single ones are placeholders (section 3.11.5)."""
    return {"text": words.replace("{", "{{").replace("}", "}}")}


def _notification(level: str, words: str) -> dict[str, Any]:
    return {"level": level, "message": _text(words)}


def _idle_words(waiver: Waiver) -> str:
    return f"Waiver without a finding: {waiver.rule} at {waiver.where}; remove it from the layout."
