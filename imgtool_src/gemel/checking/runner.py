"""Applying every rule to one image: what holds, what is broken, what could not be checked."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from gemel.checking.conditions import outcomes
from gemel.checking.registry import all_rules
from gemel.checking.rule import Rule, Severity
from gemel.checking.rule_changes import refused_change, refused_waiver
from gemel.inspection.inspection import Inspection, Strict
from gemel.layout.model import SeverityChange, Waiver
from gemel.outcomes import Consequence, DoesNotApply, Finding, Holds, Need, NotChecked, Reason
from gemel.progress import tracked
from gemel.structs import NamedTuple, Struct, replace
from gemel.text.wrapping import first_of

if TYPE_CHECKING:
    from gemel.checking.causes import FindingKey, OpenFinding

RuleStatus = Literal["holds", "broken", "warning", "note", "waived", "not checked", "does not apply"]
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
    def status(self) -> RuleStatus:
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

    def count(self, status: RuleStatus) -> int:
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
    def no_elf(self) -> frozenset[str]:
        """The builds that are given in another format than ELF; none where what was given is not known here."""
        return frozenset()

    @property
    def seal_unverified(self) -> bool:
        """Whether the image has a seal of which no signature counts; false where what was judged is not known here."""
        return False

    @property
    def failing(self) -> list[RuleResult]:
        """The rules that fail the check."""
        statuses: set[RuleStatus] = {"broken", "warning"} if self.strict else {"broken"}
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
    further: Iterable[Rule] = (),
) -> RulesApplied:
    """Apply ``rules`` (all, if None), and ``further`` ones, to ``inspection``.

    Waivers count up to and including their last day.

    A waiver is idle if it covers nothing and its rule looked everywhere, or if there is no such rule.
    ``apply`` stands for ``apply_rule``.
    """
    waivers = inspection.layout.rules.waive
    used: set[int] = set()
    results: list[RuleResult] = []
    given = [*(all_rules() if rules is None else rules), *further]
    if rules is None and inspection.rehearsal is not None:
        from gemel.checking.rules.rehearsal_passes import rules_of_warnings

        given += rules_of_warnings(inspection.rehearsal)
    for rule in tracked(given, "rules", len(given)):
        applied = (apply or apply_rule)(rule, inspection, today)
        if applied.waivers:
            used |= applied.waivers
        results.append(applied.result)
    if sum(len(result.findings) for result in results) > 1:
        results = _causes_first(results, inspection, today)
    results = [_with_sources(result, inspection) if result.findings else result for result in results]
    silent = {result.rule.name for result in results if result.not_checked}
    if rules is not None:
        silent |= {waiver.rule for waiver in waivers} - {result.rule.name for result in results}
    idle = [waiver for index, waiver in enumerate(waivers) if index not in used and waiver.rule not in silent]
    return RulesApplied(tuple(results), tuple(idle), inspection.strict)


def _with_sources(result: RuleResult, inspection: Inspection) -> RuleResult:
    """A result whose findings about instructions have their source lines."""
    findings = (replace(each, finding=with_source(each.finding, inspection)) for each in result.findings)
    return replace(result, findings=tuple(findings))


MAX_INSTRUCTION = 4
"""Bytes; a longer span is about something else."""


def with_source(finding: Finding, inspection: Inspection) -> Finding:
    """``finding`` with ``file:line`` of its instruction; as it is where it is about none, or none is known."""
    if finding.source or finding.span is None or finding.span.size > MAX_INSTRUCTION:
        return finding
    for name, placement in inspection.placements.items():
        debug = placement.build.debug
        for piece in placement.pieces if debug and name in finding.parties else ():
            if debug and piece.span.covers(finding.span):
                line = debug.line_at(piece.segment.run_address + finding.span.start - piece.address)
                return replace(finding, source=line, where=f"{finding.where}, {line}") if line else finding
    return finding


_LED_TO = 5
"""Consequences of a finding that it names."""


def _causes_first(
    results: list[RuleResult], inspection: Inspection, today: datetime.date
) -> list[RuleResult]:
    """``results`` without the findings that follow from another one, which names their rules."""
    from gemel.checking.causes import OTHER_LAYOUT, FindingKey, OpenFinding, roots_of

    found = {
        FindingKey(result.rule.name, number): OpenFinding(result.rule, result.severity, judged.finding)
        for result in results
        for number, judged in enumerate(result.findings)
        if judged.waiver is None
    }
    decided = {
        FindingKey(result.rule.name, number)
        for result in results
        for number, judged in enumerate(result.findings)
        if judged.ended or judged.refused  # another layout keeps no waiver from being reported
    }
    roots = {
        place: root
        for place, root in roots_of(found, inspection, lambda rule, held: _found(rule, held, today)).items()
        if place not in decided or root.rule != OTHER_LAYOUT
    }
    led_to: dict[FindingKey, list[FindingKey]] = {}
    for place, root in sorted(roots.items()):
        led_to.setdefault(root, []).append(place)
    lines = {root: _led_to_lines(root, places, found) for root, places in led_to.items()}
    return [_without_consequences(result, roots, lines) for result in results]


def _found(rule: Rule, inspection: Inspection, today: datetime.date) -> list[Finding]:
    return [each.finding for each in apply_rule(rule, inspection, today).result.findings]


def _without_consequences(
    result: RuleResult, roots: dict[FindingKey, FindingKey], lines: dict[FindingKey, list[str]]
) -> RuleResult:
    """A result without the findings that have a root; those that are one name what they lead to."""
    if not result.findings:
        return result
    from gemel.checking.causes import FindingKey

    places = [FindingKey(result.rule.name, index) for index in range(len(result.findings))]
    explained = dict.fromkeys(
        Consequence(
            judged.finding.where,
            Reason(f"{judged.finding.what}, which follows from {cause}", Need("rule", cause)),
        )
        for place, judged in zip(places, result.findings, strict=True)
        if place in roots
        for cause in [roots[place].rule]
    )
    findings = tuple(
        replace(judged, finding=replace(judged.finding, lines=(*judged.finding.lines, *lines[place])))
        if place in lines
        else judged
        for place, judged in zip(places, result.findings, strict=True)
        if place not in roots
    )
    return replace(result, findings=findings, not_checked=(*result.not_checked, *explained))


def _led_to_lines(
    root: FindingKey, places: list[FindingKey], found: dict[FindingKey, OpenFinding]
) -> list[str]:
    """What follows from a finding: further ones of its own rule, and the other rules."""
    own = [found[place].finding.what for place in places if place.rule == root.rule]
    lines = [f"also: {what}" for what in own[:_LED_TO]]
    if own[_LED_TO:]:
        lines.append(f"also {len(own) - _LED_TO} more")
    if rules := list(dict.fromkeys(place.rule for place in places if place.rule != root.rule)):
        lines.append(f"leads to {first_of(rules, _LED_TO)}")
    return lines


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
