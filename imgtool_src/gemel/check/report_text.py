"""The result of a check as text for people: findings first, then what was not checked, then the count."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.check.rule import Finding, Rule
from gemel.check.runner import CheckResult, Judged, RuleResult

CAUTION = "A passing check is evidence, not a safety approval."
SIGNS = {"error": "BROKEN", "warning": "WARNING", "note": "NOTE"}


def report_of(result: CheckResult, *, everything: bool = False) -> list[str]:
    """All lines of the report; ``everything`` lists the rules that hold as well."""
    lines = [*_findings(result)]
    lines += _waived(result)
    lines += _not_checked(result)
    if everything:
        lines += _holding(result)
    return [*lines, *_closing(result)]


def summary_of(result: CheckResult) -> list[str]:
    """The short form, for a command that checks on its way: findings and the count."""
    return [*_findings(result), *_closing(result)]


def _findings(result: CheckResult) -> Iterator[str]:
    for severity, sign in SIGNS.items():
        for each in result.results:
            if each.severity != severity:
                continue
            for judged in each.findings:
                if judged.waiver is None:
                    yield from _finding(sign, each.rule, judged)
                    yield ""


def _finding(sign: str, rule: Rule, judged: Judged) -> Iterator[str]:
    finding: Finding = judged.finding
    yield f"{sign} {rule.name}"
    yield f"  {finding.what}"
    for label, value in (
        ("where", finding.where),
        ("found", finding.found),
        ("expected", finding.expected),
    ):
        if value:
            yield from _wrapped(label, value)
    yield from (f"  {'because' if index == 0 else '':<9} {line}" for index, line in enumerate(finding.lines))
    yield from _wrapped("next", finding.next_step or rule.remedy)
    if judged.ended:
        yield from _wrapped("waiver", f"ended on {judged.ended.until}: {judged.ended.reason}")


def _wrapped(label: str, value: str) -> Iterator[str]:
    import textwrap

    wrapped = textwrap.wrap(value, 88, break_long_words=False, break_on_hyphens=False)
    for index, line in enumerate(wrapped):
        yield f"  {label if index == 0 else '':<9} {line}"


def _waived(result: CheckResult) -> Iterator[str]:
    for each in result.results:
        for judged in each.findings:
            if judged.waiver:
                yield f"waived {each.rule.name}: {judged.finding.what}"
                yield from _wrapped("reason", f"{judged.waiver.reason} (until {judged.waiver.until})")
    for waiver in result.idle_waivers:
        yield f"waiver without a finding: {waiver.rule} at {waiver.where}: remove it from the layout"


def _not_checked(result: CheckResult) -> Iterator[str]:
    rows: list[RuleResult] = [each for each in result.results if each.not_checked]
    if not rows:
        return
    yield "not checked"
    for each in rows:
        reasons: dict[str, list[str]] = {}
        for missing in each.not_checked:
            reasons.setdefault(missing.reason, []).append(missing.where)
        for reason, places in reasons.items():
            where = ", ".join(place for place in places if place)
            yield f"  {each.rule.name:<30} {where + ': ' if where else ''}{reason}"
    yield ""


def _holding(result: CheckResult) -> Iterator[str]:
    yield "holds"
    for each in result.results:
        if each.status == "holds":
            yield f"  {each.rule.name:<30} {', '.join(held.where for held in each.holds)}"
    yield ""


def _closing(result: CheckResult) -> Iterator[str]:
    counted = [f"{result.count('holds')} rules hold", f"{result.count('broken')} broken"]
    if waived := result.count("waived"):
        counted.append(f"{waived} waived")
    counted.append(f"{result.count('not checked')} not checked")
    verdict = "PASS" if result.passes else "FAIL"
    if not result.checked_anything:
        yield "No rule could be applied: that is a failure, not a pass."
    yield f"{verdict}: {', '.join(counted)}. {CAUTION}"
