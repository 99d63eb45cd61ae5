"""The result of a check as JUnit XML: a suite for the image, a test case for each rule.

There is no standard for this form; two families of schemas are in use (second-hand).  This keeps to that of
CI servers, ``<testsuites><testsuite><properties/><testcase/>``, in which nothing requires a time or a host.
Of a test case's children the order is skipped, error, failure, system-out.

    rule holds                        a case without skipped, error or failure
    findings of severity error        one failure that shows them all: readers that count failures and
                                      readers that count cases agree
    finding of severity warning, note, or waived
                                      reported in system-out; the case passes, as the check does
    does not apply                    skipped, with why
    not checked                       skipped, with the reasons; where the rule also has findings of severity
                                      error they are failures and the reasons are reported in system-out
    no rule could be applied          one case more, with an error: that is no pass
"""

from __future__ import annotations

from typing import get_args

from gemel.checking.identity import identity_of
from gemel.checking.identity_forms import identity_properties
from gemel.checking.reports.as_text import CAUTION, finding_lines
from gemel.checking.reports.documents import Case, junit_document
from gemel.checking.runner import Judged, RuleResult, RulesApplied, RuleStatus
from gemel.inspection.inspection import Inspection

NOTHING = "no rule could be applied: that is a failure, not a pass"


def report(result: RulesApplied, inspection: Inspection, image_name: str) -> str:
    """The report as XML text in UTF-8.  Names no path, host, user or time."""
    product = inspection.layout.product
    cases = [_case(each, result.failing) for each in result.results]
    if not result.checked_anything:
        cases.append(Case("some-rule-applied", (("error", "", {"message": NOTHING}),)))
    suite = f"{product}: {image_name}".removesuffix(": ")
    properties = _properties(result, inspection, image_name)
    return junit_document(inspection.command, suite, cases, properties, classname=product)


def _case(each: RuleResult, strictly: list[RuleResult]) -> Case:
    """The case of one rule; ``strictly`` are the rules that fail the check."""
    parts: list[tuple[str, str, dict[str, str]]] = []
    failing = [
        it for it in each.findings if it.waiver is None and (each.severity == "error" or each in strictly)
    ]
    missing = [f"not checked: {_at(it.where, it.reason)}" for it in each.not_checked]
    lines = [_in_words(each, judged) for judged in each.findings if judged not in failing]
    if each.change:
        lines.append(f"severity changed from {each.rule.severity} to {each.severity}: {each.change.reason}")
    if each.status == "does not apply":
        reasons = [f"does not apply: {_at(it.where, it.reason)}" for it in each.not_applicable]
        parts.append(("skipped", "\n".join(reasons), {}))
    elif each.status == "not checked" and each not in strictly:
        parts.append(("skipped", "\n".join(missing), {}))
    else:
        lines += missing
    if failing:
        message = failing[0].finding.what
        if len(failing) > 1:
            message = f"{len(failing)} findings; the first: {message}"
        text = "\n\n".join(_finding(each, judged) for judged in failing)
        parts.append(("failure", text, {"type": each.severity, "message": message}))
    elif each.status == "not checked" and each in strictly:
        attributes = {"type": "not checked", "message": "an input is missing"}
        parts.append(("failure", "\n".join(missing), attributes))
    if lines:
        parts.append(("system-out", "\n".join(lines), {}))
    return Case(each.rule.name, tuple(parts))


def _in_words(each: RuleResult, judged: Judged) -> str:
    """A finding that fails nothing, with the word for why it does not."""
    word = f"waived until {judged.waiver.until}: {judged.waiver.reason}" if judged.waiver else each.severity
    return f"{word}\n{_finding(each, judged)}"


def _finding(each: RuleResult, judged: Judged) -> str:
    return "\n".join(finding_lines(each.rule, judged))


def _at(where: str, reason: str) -> str:
    return f"{where}: {reason}" if where else reason


def _properties(result: RulesApplied, inspection: Inspection, image_name: str) -> list[tuple[str, str]]:
    rehearsal = inspection.rehearsal
    return [
        *identity_properties(identity_of(inspection, image_name)),
        ("passes", "true" if result.passes else "false"),
        ("caution", CAUTION),
        *((f"count.{status}", str(result.count(status))) for status in get_args(RuleStatus)),
        *(("not_modelled", text) for text in (rehearsal.not_modelled if rehearsal else ())),
        *(("idle_waiver", f"{it.rule} at {it.where}") for it in result.idle_waivers),
    ]
