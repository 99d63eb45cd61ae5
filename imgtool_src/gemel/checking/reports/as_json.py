"""The result of a check as JSON, and the JSON Schema that it keeps to: both follow the classes below."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from gemel.checking.identity import Identity, identity_of
from gemel.checking.reports.as_text import CAUTION
from gemel.checking.rule import Rule, Severity
from gemel.checking.runner import Judged, RuleResult, RulesApplied, RuleStatus
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Waiver
from gemel.outcomes import DoesNotApply, NeedKind, NotChecked
from gemel.spans import Span
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text

FORMAT = 3
"""Version of the form; a change that an old reader would misread gets the next number.

3: what was judged is below ``identity``; statuses ``warning``, ``note`` and ``does not apply``, which were
``broken`` and ``not checked``; ``kind`` and ``needs`` of what was not checked; counts by severity.
2: the same keys and values as 1; text is ASCII, and the schema names what it uses below ``$defs``.
"""


class ReportedNeed(Struct):
    """One thing that it takes to check a place."""

    kind: Annotated[NeedKind, "what kind"]
    name: Annotated[str, "its name, an option with its hyphens; empty: any (key, symbol table)"]
    build: Annotated[str | None, "the build whose symbol it is; null: no symbol"]


class ReportedGap(Struct):
    """One place that a rule could not look at."""

    where: Annotated[str, "place, for people; empty: the whole image"]
    reason: Annotated[str, "why, for people"]
    kind: Annotated[
        NeedKind | Literal["unclear"], "what is lacking first of all; unclear: these files cannot show it"
    ]
    needs: Annotated[tuple[ReportedNeed, ...], "what it takes"]


class ReportedFinding(Struct):
    """One place where a rule does not hold."""

    what: Annotated[str, "what is wrong, in one line"]
    parties: Annotated[tuple[str, ...], "builds, areas, cores and others that it is about"]
    where: Annotated[str, "place, for people"]
    found: Annotated[str, "what is there"]
    expected: Annotated[str, "what should be"]
    span: Annotated[Span | None, "bytes of the image that it is about; null: none"]
    next_step: Annotated[str, "what to do"]
    lines: Annotated[tuple[str, ...], "evidence"]
    waived_by: Annotated[Waiver | None, "the waiver that covers it"]
    ended_waiver: Annotated[Waiver | None, "a waiver that would cover it had it not ended"]
    waiver_refused: Annotated[str, "why a waiver that names it does not cover it; empty: there is none"]


class ReportedChange(Struct):
    """A severity that the layout changes."""

    from_: Annotated[Severity, "the rule's own"]
    reason: Annotated[str, "the layout's reason"]


class ReportedRule(Struct):
    """What one rule said."""

    name: Annotated[str, "the rule's name"]
    severity: Annotated[Severity, "how serious a finding is in this product"]
    severity_changed: Annotated[ReportedChange | None, "null: it is the rule's own"]
    status: Annotated[RuleStatus, "what became of it"]
    checks: Annotated[str, "what must hold"]
    holds: Annotated[tuple[str, ...], "where it holds"]
    findings: Annotated[tuple[ReportedFinding, ...], "where it does not"]
    not_checked: Annotated[tuple[ReportedGap, ...], "where it could not look"]
    not_applicable: Annotated[tuple[DoesNotApply, ...], "where there is nothing to look at"]


class CheckReport(Struct):
    """The result of a check."""

    format: Annotated[int, f"version of this form: {FORMAT}"]
    identity: Annotated[Identity, "what was judged, and by what"]
    passes: Annotated[bool, "no rule fails it, and at least one could be applied"]
    failing: Annotated[tuple[str, ...], "the rules that fail it: broken ones, and what --strict adds"]
    caution: Annotated[str, "what a pass does not mean"]
    counts: Annotated[dict[RuleStatus, int], "rules by what became of them"]
    severities: Annotated[dict[Severity, int], "open findings by severity"]
    rules: Annotated[tuple[ReportedRule, ...], "every rule"]
    idle_waivers: Annotated[tuple[Waiver, ...], "waivers that cover nothing"]


def report(result: RulesApplied, inspection: Inspection, image_name: str) -> str:
    """The report as JSON text.  Names no path, host, user or time: the same inputs give the same text."""
    return json_text(report_data(result, inspection, image_name))


def report_data(result: RulesApplied, inspection: Inspection, image_name: str) -> dict[str, Any]:
    """The report as plain data, as the schema of `CheckReport` describes it."""
    whole = CheckReport(
        format=FORMAT,
        identity=identity_of(inspection, image_name),
        passes=result.passes,
        failing=tuple(each.rule.name for each in result.failing),
        caution=CAUTION,
        counts={status: result.count(status) for status in get_args(RuleStatus)},
        severities={severity: len(result.open_findings(severity)) for severity in get_args(Severity)},
        rules=tuple(_rule(each) for each in result.results),
        idle_waivers=result.idle_waivers,
    )
    return dict(data_of(whole))


def _rule(each: RuleResult) -> ReportedRule:
    return ReportedRule(
        name=each.rule.name,
        severity=each.severity,
        severity_changed=ReportedChange(each.rule.severity, each.change.reason) if each.change else None,
        status=each.status,
        checks=each.rule.checks,
        holds=tuple(held.where for held in each.holds),
        findings=tuple(_finding(judged, each.rule) for judged in each.findings),
        not_checked=tuple(map(_gap, each.not_checked)),
        not_applicable=each.not_applicable,
    )


def _gap(missing: NotChecked) -> ReportedGap:
    needs = tuple(ReportedNeed(need.kind, need.name, need.build or None) for need in missing.needs)
    return ReportedGap(missing.where, str(missing.reason), missing.kind, needs)


def _finding(judged: Judged, rule: Rule) -> ReportedFinding:
    finding = judged.finding
    return ReportedFinding(
        what=finding.what,
        parties=finding.parties,
        where=finding.where,
        found=finding.found,
        expected=finding.expected,
        span=finding.span,
        next_step=rule.step_after(finding),
        lines=finding.lines,
        waived_by=judged.waiver,
        ended_waiver=judged.ended,
        waiver_refused=judged.refused,
    )
