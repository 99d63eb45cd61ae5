"""The result of a check as text for people: what was judged, findings, what was not checked, the verdict last."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from gemel.checking.identity import Identity
from gemel.checking.identity_forms import identity_lines
from gemel.checking.rule import Rule, Severity
from gemel.checking.runner import INPUTS, Judged, RuleResult, RulesApplied, RuleStatus
from gemel.outcomes import DoesNotApply, Finding, Need, NeedKind, NotChecked
from gemel.text.escaping import on_one_line
from gemel.text.wrapping import first_of, label_head, step_lines, wrapped

CAUTION = "A passing check is evidence, not a safety approval."
SIGNS: dict[Severity, str] = {"error": "BROKEN", "warning": "WARNING", "note": "NOTE"}
WIDTH = 80
"""Columns where no terminal says otherwise; what must not be broken (spans, digests, tables) may be longer."""


def report_of(
    result: RulesApplied, identity: Identity | None = None, *, everything: bool = False, width: int = WIDTH
) -> list[str]:
    """All lines of the report, in the order in which they are read; the last one is the verdict.

    ``identity`` is what was judged (None: said elsewhere); ``everything`` lists every rule and place.
    """
    return [*body_of(result, identity, everything=everything, width=width), *verdict_lines(result, width)]


def body_of(
    result: RulesApplied,
    identity: Identity | None = None,
    *,
    everything: bool = False,
    width: int = WIDTH,
    all_by: str = "--all",
) -> list[str]:
    """All lines but the verdict; ``all_by`` is what lists every rule."""
    lines = [*identity_lines(identity, width), ""] if identity else []
    return [*lines, *_Text(result, width, all_by).lines(everything)]


def verdict_lines(result: RulesApplied, width: int = WIDTH) -> list[str]:
    """The verdict, the report's last line."""
    return wrapped(verdict(result), width, indent=2)


def finding_lines(rule: Rule, judged: Judged, width: int = WIDTH) -> Iterator[str]:
    """What is said of one finding below its head: the sentence, evidence, next step, a waiver that ended."""
    finding: Finding = judged.finding
    yield from wrapped(finding.what, width, "  ")
    rows = [("where", finding.where), ("found", finding.found), ("expected", finding.expected)]
    rows += [("" if index else "detail", line) for index, line in enumerate(finding.lines)]
    rows += [
        ("" if index else "next", line) for index, line in enumerate(step_lines(rule.step_after(finding)))
    ]
    if judged.ended:
        rows.append(("waiver", f"ended on {judged.ended.until}: {judged.ended.reason}"))
    rows.append(("waiver", judged.refused))
    for label, value in rows:
        yield from _labelled(label, value, width, 2 if label in ("", "detail") else 0)


def not_checked_line(result: RulesApplied) -> str:
    """How many rules were not checked, by cause; empty where all were.

    ``31 need builds, 4 only on request (--disassemble, --rehearse), 2 need --trust``
    """
    missing = [each for each in result.results if each.status == "not checked"]
    parts = []
    for kind, words in _CAUSES:
        if rules := [each for each in missing if _cause(each) == kind]:
            names = {
                need.name
                for each in rules
                for it in each.not_checked
                for need in it.needs
                if need.kind == kind
            }
            parts.append(f"{len(rules)} {words(len(rules), sorted(filter(None, names)))}")
            if kind == "build" and (as_elf := names & result.no_elf):
                parts[-1] += " as ELF files" if as_elf == names else f" ({', '.join(sorted(as_elf))} as ELF)"
    return ", ".join(parts)


def _verb(count: int) -> str:
    return "needs" if count == 1 else "need"


_CAUSES: Sequence[tuple[NeedKind | str, Callable[[int, list[str]], str]]] = (
    ("build", lambda count, names: f"{_verb(count)} builds"),
    ("symbol", lambda count, names: f"{_verb(count)} symbols that the builds do not have"),
    ("option", lambda count, names: f"only on request ({', '.join(names)})"),
    ("key", lambda count, names: f"{_verb(count)} --trust"),
    ("extra", lambda count, names: f"{_verb(count)} {', '.join(f'gemel[{name}]' for name in names)}"),
    ("layout", lambda count, names: f"{_verb(count)} {'more of the layout' if names else 'the layout'}"),
    ("rule", lambda count, names: f"{'depends' if count == 1 else 'depend'} on rules that do not hold"),
    ("unclear", lambda count, names: "cannot be seen in these files"),
)
"""Causes of what was not checked, those first that the person who checks can do something about."""


def _cause(result: RuleResult) -> str:
    kinds = [missing.kind for missing in result.not_checked]
    return next(kind for kind, _ in _CAUSES if kind in kinds)


class _Text:
    """The parts of one report, in lines of one width."""

    def __init__(self, result: RulesApplied, width: int, all_by: str) -> None:
        self.result, self.width, self.all_by = result, width, all_by

    def lines(self, everything: bool) -> Iterator[str]:
        """Findings, waived ones, changed severities, all else where requested, what was not checked."""
        yield from self._findings(everything or not self.result.count("broken"))
        yield from self._waived()
        yield from self._severities()
        if everything:
            yield from self._places("not checked", "not checked", lambda each: each.not_checked)
            yield from self._places("does not apply", "does not apply", lambda each: each.not_applicable)
            yield from self._holding()
        yield from self._closing(everything)

    def _wrapped(self, text: str, head: str = "") -> list[str]:
        return wrapped(text, self.width, head)

    def _findings(self, notes_whole: bool) -> Iterator[str]:
        """Each finding; where there are errors a note is its sentence alone, so that they stay in sight."""
        short = []
        for severity, sign in SIGNS.items():
            for each in self.result.results:
                for judged in each.findings if each.severity == severity else ():
                    if judged.waiver is None and (severity != "note" or notes_whole):
                        yield f"{sign} {each.rule.name}"
                        yield from finding_lines(each.rule, judged, self.width)
                        yield ""
                    elif judged.waiver is None:
                        short += self._wrapped(f"{each.rule.name}: {judged.finding.what}", f"{sign} ")
        yield from [*short, ""] if short else ()

    def _waived(self) -> Iterator[str]:
        for each in self.result.results:
            for judged in each.findings:
                if judged.waiver:
                    yield f"waived {each.rule.name}"
                    yield from self._wrapped(judged.finding.what, "  ")
                    yield from _labelled("where", judged.finding.where, self.width)
                    reason = f"{judged.waiver.reason} (until {judged.waiver.until})"
                    yield from _labelled("reason", reason, self.width)
                    yield ""
        for waiver in self.result.idle_waivers:
            yield from self._wrapped(
                f"waiver without a finding: {waiver.rule} at {waiver.where}; remove it from the layout"
            )
        if self.result.idle_waivers:
            yield ""

    def _severities(self) -> Iterator[str]:
        """Every rule that the layout makes count for more or less, whether it holds or not."""
        changed = [each for each in self.result.results if each.change]
        for each in changed:
            reason = each.change.reason if each.change else ""
            yield from self._wrapped(
                f"severity of {each.rule.name} changed from {each.rule.severity} to {each.severity}: {reason}"
            )
        if changed:
            yield ""

    def _places(
        self,
        title: str,
        status: str,
        places_of: Callable[[RuleResult], Sequence[NotChecked] | Sequence[DoesNotApply]],
    ) -> Iterator[str]:
        rows = [each for each in self.result.results if places_of(each)]
        if not rows:
            return
        yield title
        for each in rows:
            reasons: dict[str, list[str]] = {}
            for place in places_of(each):
                reasons.setdefault(place.reason, []).append(place.where)
            yield f"  {each.rule.name}"
            for reason, places in reasons.items():
                where = _joined(places)
                yield from self._wrapped(f"{where}: {reason}" if where else reason, "      ")
        yield ""

    def _holding(self) -> Iterator[str]:
        rows = [each for each in self.result.results if each.status == "holds"]
        if not rows:
            return
        yield "holds"
        for each in rows:
            yield f"  {each.rule.name}"
            places = [held.where for held in each.holds]
            between = "; " if any("," in place for place in places) else ", "
            yield from self._wrapped(between.join(places), "      ")
        yield ""

    def _closing(self, everything: bool) -> Iterator[str]:
        result = self.result
        if not result.checked_anything:
            yield "No rule could be applied: that is a failure, not a pass."
        if result.passes:
            yield from self._wrapped(CAUTION)
        if missing := not_checked_line(result):
            line = f"not checked: {missing}{'' if everything else f'; {self.all_by} lists them'}"
            yield from wrapped(line, self.width, indent=2)


def verdict(result: RulesApplied) -> str:
    """``PASS: 67 rules hold, 0 broken, 12 not checked, 19 do not apply``, and that a seal was not verified."""
    held = result.count("holds")
    counted = [f"{held} rule{' holds' if held == 1 else 's hold'}", f"{result.count('broken')} broken"]
    others: tuple[tuple[RuleStatus, str], ...] = (
        ("warning", "with a warning"),
        ("note", "with a note"),
        ("waived", "waived"),
        ("not checked", "not checked"),
        ("does not apply", "do not apply"),
    )
    for status, words in others:
        if count := result.count(status):
            counted.append(f"{count} {status if count == 1 and status == 'does not apply' else words}")
    strict = ""
    if result.strict and result.failing and not result.count("broken"):
        strict = "; warnings fail (--strict)"
        if not result.count("warning"):
            inputs = [need for each in result.failing for it in each.not_checked for need in it.needs]
            given = sorted({_input_words(need, result.no_elf) for need in inputs if need.kind in INPUTS})
            strict = f"; not given: {first_of(given)} (--strict=inputs)"
    unverified = "; NOT VERIFIED" if result.passes and result.seal_unverified else ""
    return f"{'PASS' if result.passes else 'FAIL'}: {', '.join(counted)}{strict}{unverified}."


def _input_words(need: Need, no_elf: frozenset[str]) -> str:
    """What the person who checks can give, as it is given; a build in ``no_elf`` is given in another format."""
    if need.kind == "build":
        return f"{need.name}=FILE{' (ELF)' if need.name in no_elf else ''}"
    return "--trust PUBKEY" if need.kind == "key" else f"symbol {need.name}"


def _labelled(label: str, value: str, width: int, indent: int = 0) -> Iterator[str]:
    """``value`` after its label; nothing for no value.  A line with columns of its own stays whole."""
    if not value:
        return
    head = label_head(label)
    yield from [head + on_one_line(value)] if "  " in value else wrapped(value, width, head, indent)


def _joined(places: Iterable[str]) -> str:
    """The places one after the other; what neighbours begin with up to a comma, such as a contract, once."""
    named: list[str] = []
    last = ""
    for place in places:
        first, comma, rest = place.partition(", ")
        if place:
            named.append(rest if comma and first == last else place)
        last = first if comma else ""
    return ", ".join(named)
