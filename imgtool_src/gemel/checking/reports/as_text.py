"""The result of a check as text for people: findings first, then what was not checked, then the count."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from gemel.checking.reports.basis import Basis
from gemel.checking.rule import Rule
from gemel.checking.runner import Judged, RuleResult, RulesApplied
from gemel.outcomes import Finding, NotChecked
from gemel.text.escaping import on_one_line
from gemel.text.wrapping import label_head, wrapped

CAUTION = "A passing check is evidence, not a safety approval."
SIGNS = {"error": "BROKEN", "warning": "WARNING", "note": "NOTE"}
WIDTH = 80
"""Columns; what must not be broken (spans, file names, tables) may be longer."""

NEEDS = "needs "
"""Reasons that begin so, up to a colon, are told together: they name what would have to be given."""

OPTION = re.compile(r"(?<!\S)--[a-z-]+")
"""Reasons that name an option: the rule was not asked for."""


def report_of(result: RulesApplied, basis: Basis | None = None, *, everything: bool = False) -> list[str]:
    """All lines of the report; ``everything`` lists the rules that hold, and each place not checked.

    ``basis`` is what the image was judged by.
    """
    lines = [*_findings(result), *_waived(result), *_severities(result)]
    lines += _each_not_checked(result) if everything else _not_checked(result)
    if everything:
        lines += _holding(result)
    if basis:
        lines += _basis(basis)
    return [*lines, *_closing(result)]


def summary_of(result: RulesApplied) -> list[str]:
    """The short form, for a command that checks on its way: findings, waived or not, and the count."""
    return [*_findings(result), *_waived(result), *_severities(result), *_closing(result)]


def _findings(result: RulesApplied) -> Iterator[str]:
    for severity, sign in SIGNS.items():
        for each in result.results:
            if each.severity != severity:
                continue
            for judged in each.findings:
                if judged.waiver is None:
                    yield from _finding(sign, each.rule, judged)
                    yield ""


def _finding(sign: str, rule: Rule, judged: Judged) -> Iterator[str]:
    yield f"{sign} {rule.name}"
    yield from finding_lines(rule, judged)


def finding_lines(rule: Rule, judged: Judged) -> Iterator[str]:
    """What is told of one finding below its head: the sentence, evidence, next step, a waiver that ended."""
    finding: Finding = judged.finding
    yield from _wrapped(finding.what, "  ")
    yield from _labelled("where", finding.where)
    yield from _labelled("found", finding.found)
    yield from _labelled("expected", finding.expected)
    for index, line in enumerate(finding.lines):
        yield from _labelled("" if index else "detail", line, 2)
    yield from _labelled("next", finding.next_step or rule.remedy)
    if judged.ended:
        yield from _labelled("waiver", f"ended on {judged.ended.until}: {judged.ended.reason}")
    if judged.refused:
        yield from _labelled("waiver", judged.refused)


def _labelled(label: str, value: str, indent: int = 0) -> Iterator[str]:
    """``value`` after its label; nothing for no value.  A line with columns of its own stays whole."""
    if not value:
        return
    head = label_head(label)
    yield from [head + on_one_line(value)] if "  " in value else _wrapped(value, head, indent)


def _wrapped(text: str, head: str, indent: int = 0) -> list[str]:
    return wrapped(text, WIDTH, head, indent)


def _waived(result: RulesApplied) -> Iterator[str]:
    for each in result.results:
        for judged in each.findings:
            if judged.waiver:
                yield f"waived {each.rule.name}"
                yield from _wrapped(judged.finding.what, "  ")
                yield from _labelled("where", judged.finding.where)
                yield from _labelled("reason", f"{judged.waiver.reason} (until {judged.waiver.until})")
                yield ""
    for waiver in result.idle_waivers:
        text = f"waiver without a finding: {waiver.rule} at {waiver.where}; remove it from the layout"
        yield from _wrapped(text, "")
    if result.idle_waivers:
        yield ""


def _severities(result: RulesApplied) -> Iterator[str]:
    """Every rule that the layout makes count for more or less, whether it holds or not."""
    changed = [each for each in result.results if each.change]
    if not changed:
        return
    yield "severity changed by the layout"
    for each in changed:
        reason = each.change.reason if each.change else ""
        yield f"  {each.rule.name}"
        yield from _wrapped(f"from {each.rule.severity} to {each.severity}: {reason}", "      ")
    yield ""


def _not_checked(result: RulesApplied) -> Iterator[str]:
    """What is missing first, each reason once with its rules; then in short what nobody asked for or has."""
    groups: dict[tuple[str, ...], list[str]] = {}
    unasked: dict[str, list[str]] = {}
    nothing: list[str] = []
    for each in result.results:
        if not each.not_checked:
            continue
        if options := _options_of(each.not_checked):
            unasked.setdefault(options, []).append(each.rule.name)
        elif not each.looked_at_anything:
            nothing.append(each.rule.name)
        else:
            groups.setdefault(_reasons(each.not_checked), []).append(each.rule.name)
    if not (groups or unasked or nothing):
        return
    yield "not checked"
    for reasons, names in sorted(groups.items(), key=lambda group: not group[0][0].startswith(NEEDS)):
        for reason in reasons:
            yield from _wrapped(reason, "  ")
        yield from _wrapped(", ".join(names), "      ")
    if unasked:
        yield "  not asked for"
        for options, names in sorted(unasked.items()):
            yield from _wrapped(f"{options}: {', '.join(names)}", "      ")
    if nothing:
        yield "  nothing of the kind in this layout and these builds (--all tells each reason)"
        yield from _wrapped(", ".join(nothing), "      ")
    yield ""


def _options_of(places: Iterable[NotChecked]) -> str:
    """The options that would have a rule checked everywhere; empty where other things are missing too."""
    options: dict[str, None] = {}
    for missing in places:
        named = OPTION.findall(missing.reason)
        if not named:
            return ""
        options.update(dict.fromkeys(named))
    return ", ".join(options)


def _reasons(places: Iterable[NotChecked]) -> tuple[str, ...]:
    """The reasons, each once; places are told where the reason does not name what is needed."""
    needed: dict[str, list[str]] = {}
    others: dict[str, list[str]] = {}
    for missing in places:
        for part in missing.reason.split("; ") if missing.reason.startswith(NEEDS) else [missing.reason]:
            what, colon, names = part.partition(": ")
            if part.startswith(NEEDS) and colon:
                needed.setdefault(what, []).append(names)
            else:
                others.setdefault(part, []).append(missing.where)
    told = [f"{what}: {', '.join(dict.fromkeys(names))}" for what, names in needed.items()]
    for reason, where in others.items():
        named = _joined(where)
        told.append(f"{named}: {reason}" if named else reason)
    return tuple(told)


def _each_not_checked(result: RulesApplied) -> Iterator[str]:
    rows: list[RuleResult] = [each for each in result.results if each.not_checked]
    if not rows:
        return
    yield "not checked"
    for each in rows:
        reasons: dict[str, list[str]] = {}
        for missing in each.not_checked:
            reasons.setdefault(missing.reason, []).append(missing.where)
        yield f"  {each.rule.name}"
        for reason, places in reasons.items():
            where = _joined(places)
            yield from _wrapped(f"{where}: {reason}" if where else reason, "      ")
    yield ""


def _basis(basis: Basis) -> Iterator[str]:
    """What the image was judged by, where a seal is demanded or the layout bends a rule."""
    if not (basis.seal_demanded_by or basis.waivers or basis.severities or basis.date):
        return
    yield "judged by"
    yield f"  {on_one_line(basis.layout_file)}, SHA-256 {basis.layout_file_sha256}"
    if basis.policy:
        yield f"  {on_one_line(basis.policy)}, SHA-256 {basis.policy_sha256}"
    if basis.date:
        yield f"  as on {basis.date}, the date that was given, whatever the machine's is"
    if basis.seal_demanded_by:
        yield f"  a seal is demanded by {on_one_line(basis.seal_demanded_by)}"
    for key in basis.counted_keys:
        yield f"  signed by key {key}"
    for waiver in basis.waivers:
        yield from _wrapped(f"waiver of {waiver.rule} at {waiver.where}, until {waiver.until}", "  ")
    for change in basis.severities:
        yield from _wrapped(f"severity of {change.rule}: {change.severity}", "  ")
    yield ""


def _joined(places: Iterable[str]) -> str:
    """The places behind each other; what neighbours begin with up to a comma, such as a contract, once."""
    told: list[str] = []
    last = ""
    for place in places:
        first, comma, rest = place.partition(", ")
        if place:
            told.append(rest if comma and first == last else place)
        last = first if comma else ""
    return ", ".join(told)


def _holding(result: RulesApplied) -> Iterator[str]:
    rows = [each for each in result.results if each.status == "holds"]
    if not rows:
        return
    yield "holds"
    for each in rows:
        yield f"  {each.rule.name}"
        yield from _wrapped(", ".join(held.where for held in each.holds), "      ")
    yield ""


def _closing(result: RulesApplied) -> Iterator[str]:
    held = result.count("holds")
    counted = [f"{held} rule{' holds' if held == 1 else 's hold'}", f"{_open(result, 'error')} broken"]
    for severity, word in (("warning", "with a warning"), ("note", "with a note")):
        if count := _open(result, severity):
            counted.append(f"{count} {word}")
    if waived := result.count("waived"):
        counted.append(f"{waived} waived")
    counted.append(f"{result.count('not checked')} not checked")
    verdict = "PASS" if result.passes else "FAIL"
    if not result.checked_anything:
        yield "No rule could be applied: that is a failure, not a pass."
    yield from _wrapped(f"{verdict}: {', '.join(counted)}.", "")
    yield CAUTION


def _open(result: RulesApplied, severity: str) -> int:
    """Rules of that severity with a finding that no waiver covers."""
    return sum(each.severity == severity and each.status == "broken" for each in result.results)
