"""The result of a check as JUnit XML: a suite for the image, a test case for each rule.

There is no standard for this form; two families of schemas are in use (second-hand).  This keeps to that of
CI servers, ``<testsuites><testsuite><properties/><testcase/>``, in which nothing asks for a time or a host.
Of a test case's children the order is skipped, error, failure, system-out.

    rule holds                        a case without skipped, error or failure
    findings of severity error        one failure that tells them all: readers that count failures and
                                      readers that count cases agree
    finding of severity warning, note, or waived
                                      told in system-out; the case passes, as the check does
    not checked                       skipped, with the reasons; where the rule also has findings of severity
                                      error they are failures and the reasons are told in system-out
    no rule could be applied          one case more, with an error: that is no pass
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.reports.as_text import CAUTION, finding_lines
from gemel.checking.runner import CheckResult, Judged, RuleResult
from gemel.inspection.inspection import Inspection
from gemel.structs import NamedTuple
from gemel.version import __version__

NOTHING = "no rule could be applied: that is a failure, not a pass"


def report(result: CheckResult, inspection: Inspection, image_name: str) -> str:
    """The report as XML text in UTF-8.  Names no path, host, user or time."""
    suite = f"{inspection.layout.product}: {image_name}"
    cases = [_case(each, inspection.layout.product) for each in result.results]
    failures = sum(case.failed for case in cases)
    skipped = sum(case.skipped for case in cases)
    errors = 0 if result.checked_anything else 1
    counts = {"tests": len(cases) + errors, "failures": failures, "errors": errors}
    lines = ['<?xml version="1.0" encoding="UTF-8"?>', _open("testsuites", name="gemel check", **counts)]
    lines.append("  " + _open("testsuite", name=suite, **counts, skipped=skipped))
    lines += _properties(result, inspection)
    for case in cases:
        lines += case.lines
    if errors:
        name = _open("testcase", name="some-rule-applied", classname=inspection.layout.product)
        lines += [f"    {name}", f"      {_open('error', message=NOTHING)}</error>", "    </testcase>"]
    lines += ["  </testsuite>", "</testsuites>"]
    return "".join(f"{line}\n" for line in lines)


class _Case(NamedTuple):
    """One test case: its lines, and what the suite counts of it."""

    lines: list[str]
    failed: bool
    skipped: bool


def _case(each: RuleResult, product: str) -> _Case:
    failing = [it for it in each.findings if it.waiver is None and each.severity == "error"]
    told = [it for it in each.findings if it not in failing]
    missing = [f"not checked: {_at(it.where, it.reason)}" for it in each.not_checked]
    skipped = each.status == "not checked"
    notes = [] if skipped else missing
    if each.change:
        words = f"severity changed from {each.rule.severity} to {each.severity}: {each.change.reason}"
        notes = [words, *notes]
    body = [_element("skipped", "\n".join(missing))] if skipped else []
    body += [_failure(each, failing)] if failing else []
    if text := "\n".join([*(_told(each, judged) for judged in told), *notes]):
        body.append(_element("system-out", text))
    head = _open("testcase", name=each.rule.name, classname=product)
    if not body:
        return _Case([f"    {head[:-1]}/>"], False, False)
    lines = [f"    {head}", *(f"      {part}" for part in body), "    </testcase>"]
    return _Case(lines, bool(failing), skipped)


def _failure(each: RuleResult, failing: list[Judged]) -> str:
    message = failing[0].finding.what
    if len(failing) > 1:
        message = f"{len(failing)} findings; the first: {message}"
    told = "\n\n".join(_finding(each, judged) for judged in failing)
    return f"{_open('failure', type=each.severity, message=message)}{_text(told)}</failure>"


def _told(each: RuleResult, judged: Judged) -> str:
    """A finding that fails nothing, with the word for why it does not."""
    word = f"waived until {judged.waiver.until}: {judged.waiver.reason}" if judged.waiver else each.severity
    return f"{word}\n{_finding(each, judged)}"


def _finding(each: RuleResult, judged: Judged) -> str:
    return "\n".join(finding_lines(each.rule, judged))


def _at(where: str, reason: str) -> str:
    return f"{where}: {reason}" if where else reason


def _properties(result: CheckResult, inspection: Inspection) -> Iterator[str]:
    values = {
        "tool": f"gemel {__version__}",
        "layout_sha256": inspection.read.digest.hex(),
        "passes": "true" if result.passes else "false",
        "caution": CAUTION,
    }
    pairs = [*values.items(), *(("idle_waiver", f"{it.rule} at {it.where}") for it in result.idle_waivers)]
    yield "    <properties>"
    for name, value in pairs:
        yield f"      {_open('property', name=name, value=value)[:-1]}/>"
    yield "    </properties>"


def _open(tag: str, **attributes: str | int) -> str:
    """A start tag."""
    words = "".join(f' {name}="{_attribute(str(value))}"' for name, value in attributes.items())
    return f"<{tag}{words}>"


def _element(tag: str, text: str) -> str:
    return f"<{tag}>{_text(text)}</{tag}>"


def _text(text: str) -> str:
    return "".join(_escaped(text, "\t\n"))


def _attribute(text: str) -> str:
    """As text, with quotes and line ends as references, which a parser would else turn into spaces."""
    return "".join(_escaped(text, "")).replace('"', "&quot;")


MARKUP = {"&": "&amp;", "<": "&lt;", ">": "&gt;"}


def _escaped(text: str, kept: str) -> Iterator[str]:
    """Each character, markup as references, what XML 1.0 (section 2.2, Characters) forbids as ``\\u0001``."""
    for each in text:
        code = ord(each)
        if each in MARKUP:
            yield MARKUP[each]
        elif each in "\t\n\r":
            yield each if each in kept else f"&#{code};"
        elif code < 0x20 or 0x7F <= code < 0xA0 or 0xD800 <= code < 0xE000 or code & 0xFFFE == 0xFFFE:
            yield f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}"
        else:
            yield each
