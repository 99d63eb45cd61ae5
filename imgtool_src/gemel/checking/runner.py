"""Applying every rule to one image: what holds, what is broken, what could not be checked."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable
from functools import cached_property
from typing import Literal

from gemel.checking.conditions import outcomes
from gemel.checking.policy.receiver import refused_change, refused_waiver
from gemel.checking.registry import all_rules
from gemel.checking.rule import Rule, Severity
from gemel.inspection.inspection import Inspection, Strict
from gemel.layout.model import SeverityChange, Waiver
from gemel.outcomes import DoesNotApply, Finding, Holds, Need, NotChecked, Reason
from gemel.progress import tracked
from gemel.structs import NamedTuple, Struct, replace

Status = Literal["holds", "broken", "warning", "note", "waived", "not checked", "does not apply"]
"""What became of a rule; one with open findings is ``broken``, ``warning`` or ``note`` by its severity."""


class Judged(Struct):
    """One finding with the waiver that covers it, if any, and one that would if it had not ended.

    ``refused`` says why a waiver that would cover it is not taken.
    """

    finding: Finding
    waiver: Waiver | None = None
    ended: Waiver | None = None
    refused: str = ""


class RuleResult(Struct, dict=True):
    """What one rule said: places where it holds, findings, places that it could not look at or does not apply to.

    ``change`` is the layout's word on how serious its findings are, where that is not the rule's own.
    """

    rule: Rule
    holds: tuple[Holds, ...]
    findings: tuple[Judged, ...]
    not_checked: tuple[NotChecked, ...]
    change: SeverityChange | None = None
    not_applicable: tuple[DoesNotApply, ...] = ()

    @property
    def severity(self) -> Severity:
        """How serious a finding of this rule is in this product."""
        return self.change.severity if self.change else self.rule.severity

    @cached_property
    def status(self) -> Status:
        """Open findings before waived before not checked: one place that is not known keeps a rule from holding."""
        if self.findings:
            if all(judged.waiver for judged in self.findings):
                return "waived"
            return "broken" if self.severity == "error" else self.severity
        if self.not_checked:
            return "not checked"
        return "holds" if self.holds else "does not apply"

    @property
    def lacks_input(self) -> bool:
        """Whether a place was not checked for lack of a build, a key or a symbol."""
        return any(need.kind in INPUTS for missing in self.not_checked for need in missing.needs)


INPUTS = ("build", "key", "symbol")
"""What the person who checks can give, so that more is checked."""


class RuleFinding(NamedTuple):
    """A finding with its rule, how serious it is in this product, and the waiver that covers it, if any."""

    rule: Rule
    severity: Severity
    finding: Finding
    waiver: Waiver | None


class RulesApplied(Struct):
    """The results of all rules, and waivers that cover nothing although their rule was applied everywhere.

    ``strict`` says what fails the check besides errors.
    """

    results: tuple[RuleResult, ...]
    idle_waivers: tuple[Waiver, ...]
    strict: Strict

    def count(self, status: Status) -> int:
        """How many rules ended so."""
        return [result.status for result in self.results].count(status)

    @property
    def findings(self) -> tuple[RuleFinding, ...]:
        """Every finding, waived ones included, by rule."""
        return tuple(
            RuleFinding(result.rule, result.severity, judged.finding, judged.waiver)
            for result in self.results
            for judged in result.findings
        )

    def open_findings(self, severity: Severity) -> list[tuple[Rule, Finding]]:
        """Findings of that severity which no waiver covers."""
        return [
            (result.rule, judged.finding)
            for result in self.results
            if result.severity == severity
            for judged in result.findings
            if judged.waiver is None
        ]

    @property
    def checked_anything(self) -> bool:
        """Whether any rule could be applied anywhere."""
        return any(result.holds or result.findings for result in self.results)

    @property
    def passes(self) -> bool:
        """No open finding of severity error, at least one rule applied, and nothing that ``strict`` forbids."""
        return self.checked_anything and not self.failing

    @property
    def failing(self) -> list[RuleResult]:
        """The rules that fail the check."""
        statuses: set[Status] = {"broken", "warning"} if self.strict else {"broken"}
        inputs = self.strict == "inputs"
        return [each for each in self.results if each.status in statuses or (inputs and each.lacks_input)]


class Applied(NamedTuple):
    """The result of a rule, and which of the layout's waivers it uses."""

    result: RuleResult
    waivers: frozenset[int]


def check(
    inspection: Inspection,
    today: datetime.date,
    rules: Iterable[Rule] | None = None,
    apply: Callable[[Rule, Inspection, datetime.date], Applied] | None = None,
) -> RulesApplied:
    """Apply ``rules`` (all, if None) to ``inspection``; waivers count up to and including their last day.

    A waiver is idle if it covers nothing and its rule looked everywhere, or if there is no such rule.
    ``apply`` stands for ``apply_rule``.
    """
    waivers = inspection.layout.rules.waive
    used: set[int] = set()
    results: list[RuleResult] = []
    given = list(all_rules() if rules is None else rules)
    for rule in tracked(given, "rules", len(given)):
        applied = (apply or apply_rule)(rule, inspection, today)
        if applied.waivers:
            used |= applied.waivers
        results.append(applied.result)
    if any(result.findings for result in results):
        results = _of_the_misplaced(results, inspection)
        results = _cause_first(_of_the_builds(results, inspection, today))
    silent = {result.rule.name for result in results if result.not_checked}
    if rules is not None:
        silent |= {waiver.rule for waiver in waivers} - {result.rule.name for result in results}
    idle = [waiver for index, waiver in enumerate(waivers) if index not in used and waiver.rule not in silent]
    return RulesApplied(tuple(results), tuple(idle), inspection.strict)


EXPLAINS_ALL = "image-bytes-in-order"
"""The rule whose finding is the cause of all others: bytes that are not where they should be at all."""

DIFFERS = "image-equals-builds"
"""The rule whose finding is the cause of all that would not be there if the image held the builds as given."""

OTHERS = "vectors-of-own-build"
"""The rule that says which other build is there."""

OWN_AREAS = "builds-in-own-areas"
"""The rule whose finding that a build has no byte in its own area is the cause of all else about that build."""

_RANKS = {"note": 0, "warning": 1, "error": 2}


def _cause_first(results: list[RuleResult]) -> list[RuleResult]:
    """``results`` without the findings that follow from another one, as long as that weighs as much by itself."""
    causes = {
        result.rule.name: (
            result.severity,
            [judged.finding for judged in result.findings if not judged.waiver],
        )
        for result in results
        if any(judged.waiver is None for judged in result.findings)
    }
    return [
        _without_consequences(each, [_cause_of(judged, each, causes) for judged in each.findings])
        for each in results
    ]


def _of_the_misplaced(results: list[RuleResult], inspection: Inspection) -> list[RuleResult]:
    """``results`` without other findings about builds that have no byte in their own areas, such as swapped ones."""
    cause = next((each for each in results if each.rule.name == OWN_AREAS and each.severity == "error"), None)
    if cause is None or not cause.findings:
        return results
    layout = inspection.layout
    misplaced = {
        name
        for name, placement in inspection.placements.items()
        if not any(
            piece.span.overlaps(layout.span_of(placement.plan.stored_in)) for piece in placement.pieces
        )
        and any(judged.waiver is None and name in judged.finding.parties for judged in cause.findings)
    }
    return [
        result
        if result is cause
        else _without_consequences(
            result,
            [
                OWN_AREAS if judged.waiver is None and misplaced.intersection(judged.finding.parties) else ""
                for judged in result.findings
            ],
        )
        for result in results
    ]


def _of_the_builds(
    results: list[RuleResult], inspection: Inspection, today: datetime.date
) -> list[RuleResult]:
    """``results`` without findings about the device that go where the image holds the bytes of the builds.

    One that says which other build is there stays: it is the cause.
    """
    differs = any(
        each.rule.name == DIFFERS
        and each.severity == "error"
        and any(judged.waiver is None for judged in each.findings)
        for each in results
    )
    if not differs:
        return results
    held = replace(inspection, image=inspection.image_of_builds())
    kept = []
    for result in results:
        about_the_device = result.rule.guards == "device" and result.rule.name not in (DIFFERS, EXPLAINS_ALL)
        if result.findings and about_the_device:
            sound = apply_rule(result.rule, held, today).result
            known = {(each.finding.what, each.finding.where) for each in sound.findings}
            result = _without_consequences(
                result,
                [
                    ""
                    if judged.waiver
                    or (judged.finding.what, judged.finding.where) in known
                    or (
                        result.rule.name == OTHERS
                        and len(inspection.builds.keys() & judged.finding.parties) > 1
                    )
                    else DIFFERS
                    for judged in result.findings
                ],
            )
        kept.append(result)
    return kept


def _without_consequences(result: RuleResult, reasons: list[str]) -> RuleResult:
    """A result without the findings that follow from another rule's, which ``reasons`` has for each; or empty."""
    if not any(reasons):
        return result
    explained = dict.fromkeys(
        NotChecked(judged.finding.where, Reason(f"what it finds follows from {cause}", Need("rule", cause)))
        for judged, cause in zip(result.findings, reasons, strict=True)
        if cause
    )
    return replace(
        result,
        findings=tuple(each for each, cause in zip(result.findings, reasons, strict=True) if not cause),
        not_checked=(*result.not_checked, *explained),
    )


def _cause_of(judged: Judged, result: RuleResult, causes: dict[str, tuple[Severity, list[Finding]]]) -> str:
    """The rule that a finding follows from and that refuses no less than it does; empty if none."""
    if judged.waiver or result.rule.name == EXPLAINS_ALL:
        return ""
    if EXPLAINS_ALL in causes and causes[EXPLAINS_ALL][0] == "error":
        return EXPLAINS_ALL
    for name, place in judged.finding.follows_from:
        severity, findings = causes.get(name, ("note", []))
        known = any(place in (*each.parties, each.where) for each in findings)
        if known and _RANKS[severity] >= _RANKS[result.severity]:
            return name
    return ""


def apply_rule(rule: Rule, inspection: Inspection, today: datetime.date) -> Applied:
    """What ``rule`` says of ``inspection``."""
    used: set[int] = set()
    holds: list[Holds] = []
    findings: list[Judged] = []
    not_checked: list[NotChecked] = []
    not_applicable: list[DoesNotApply] = []
    for outcome in outcomes(rule, inspection):
        if isinstance(outcome, Holds):
            holds.append(outcome)
        elif isinstance(outcome, NotChecked):
            not_checked.append(outcome)
        elif isinstance(outcome, DoesNotApply):
            not_applicable.append(outcome)
        else:
            findings.append(_judged(rule, outcome, inspection, today, used))
    if not (holds or findings or not_checked or not_applicable):
        if isinstance(rule.absent, Reason):
            not_checked.append(NotChecked("", rule.absent))
        else:
            not_applicable.append(DoesNotApply("", rule.absent))
    changes = inspection.layout.rules.severity
    change = next((it for it in changes if it.rule == rule.name and it.severity != rule.severity), None)
    if change and refused_change(rule, change, inspection):
        change = None
    found = (tuple(holds), tuple(findings), tuple(not_checked), change, tuple(not_applicable))
    return Applied(RuleResult(rule, *found), frozenset(used))


def _judged(
    rule: Rule, finding: Finding, inspection: Inspection, today: datetime.date, used: set[int]
) -> Judged:
    ended, refused = None, ""
    for index, waiver in enumerate(inspection.layout.rules.waive):
        if waiver.rule == rule.name and waiver.where in finding.parties:
            used.add(index)
            if today > waiver.until:
                ended = waiver
            elif why := refused_waiver(rule, waiver, inspection, today):
                refused = why
            else:
                return Judged(finding, waiver=waiver)
    return Judged(finding, ended=ended, refused=refused)
