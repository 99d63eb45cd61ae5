"""``gemel explain``."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from importlib import import_module
from typing import TYPE_CHECKING

from gemel.checking.registry import all_rules, rule_lines, rule_named, rule_names
from gemel.cli import options
from gemel.cli.catalogue import COMMANDS, TOPICS
from gemel.cli.declared import DONE, argument, sub_command
from gemel.cli.printing import help_with_rows, list_width, prose_width
from gemel.cli.results import form_by_suffix, give_text
from gemel.cli.words import known_words, meaning_of_word
from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import Struct
from gemel.text.wrapping import markdown_lines, wrapped

if TYPE_CHECKING:
    from gemel.checking.rule import Rule

MADE_BY = {
    "record": "record.page:page",
    "seal": "seals.page:page",
    "layout": "layout.reference:layout_reference",
    "release": "release.page:page",
    "policy": "policy.page:page",
    "rehearsal": "rehearsal.limits:limits_page",
}
"""The topics that are no pages in Markdown, by module and function."""


def _with_topics(text: str) -> str:
    return help_with_rows(text, "{topics}", TOPICS.items())


OF_REHEARSALS = "rehearsal-passes"
"""The rule that every finding of a rehearsal breaks."""

MIN_SENTENCE = 24
"""Columns that a rule's sentence must have in a list of one line each: fewer words of it say nothing."""


class ExplainArguments(Struct, kw_only=True):
    """The words and options of ``gemel explain``."""

    topic: tuple[str, ...] = argument(metavar="[RULE|WORD|TOPIC]", several=True)
    form: str = options.form("text", "json")
    output: FilePath | None = options.result("; .json by suffix")


@sub_command("explain", ExplainArguments, finished=_with_topics, exits=DONE)
def command(asked: ExplainArguments) -> int:
    """Explain the rules, one rule, or a format.

    Without RULE, WORD or TOPIC: all rules by subject, a line each. With a rule's name: what it checks, why, what to
    do, the source. With a word, such as stack: the rules that mention it, and the keys of that name in a layout or
    policy. With what a debugger shows, such as NOCP or lockup: what it means, and the rules that find its cause. The
    topics are:

    \b
    {topics}

    \b
    Example:
      gemel explain reset-handler-in-code
    """
    wanted = " ".join(asked.topic) or None
    if form_by_suffix(asked.output, asked.form, "json") == "json":
        give_text(_as_json(wanted), asked.output, plain=False)
    else:
        lines = _page(wanted).splitlines() if wanted in TOPICS else _rules(wanted)
        if wanted in TOPICS.keys() - MADE_BY.keys() and asked.output is None:
            lines = markdown_lines(_page(wanted), _width())
        give_text("".join(f"{line}\n" for line in lines), asked.output)
    return 0


def _width() -> int:
    return prose_width(sys.stdout)


def _page(topic: str | None) -> str:
    if topic in MADE_BY:
        module, name = MADE_BY[topic].split(":")
        page: str = getattr(import_module(f"gemel.{module}"), name)()
        return page
    from importlib.resources import files

    return files("gemel").joinpath(f"{topic}_page.md").read_text(encoding="utf-8")


def _rules(name: str | None) -> Iterator[str]:
    """All rules, the rule of that name, or those that mention it."""
    if name is None:
        yield from _list(rule_lines())
        yield ""
        pages = ", ".join(f"`{each}`" for each in TOPICS)
        line = (
            f"`gemel explain RULE` says why, what to do and where it comes from; a word finds rules; {pages}"
        )
        yield from wrapped(f"{line} are pages.", _width())
        return
    if rule := _rule(name):
        yield from _one_rule(rule)
        return
    if _is_of_rehearsals(name):
        yield from wrapped(f"{name} is a finding of a rehearsal, by the rule {OF_REHEARSALS}:", _width())
        yield ""
        if rule := _rule(OF_REHEARSALS):
            yield from _one_rule(rule)
        return

    found, keys = _mentioning(name), _keys(name)
    meaning = meaning_of_word(name)
    if not (found or keys or meaning):
        _refuse(name)
    if meaning:
        yield from wrapped(meaning[0], _width())
        if found:
            yield ""
    yield from keys
    if found:
        yield from _list(found, whole=True)


def _rule(name: str) -> Rule | None:
    """The rule of that name, be it one of a check of an image, or one of what came with it."""
    if name in rule_names():
        return rule_named(name)
    if "-" not in name:
        return None
    from gemel.workflows.further_rules import further_rules

    return further_rules().get(name)


def _keys(name: str) -> list[str]:
    """The keys of that name in their tables of a layout or a policy; none for a word that is more than a key."""
    if "_" not in name:
        return []
    from gemel.layout.model import Layout
    from gemel.layout.reference import tables_with
    from gemel.layout.tables import Table
    from gemel.policy.model import Policy

    lines = []
    for topic, model in (("layout", Layout), ("policy", Policy)):
        if found := tables_with(Table(model), name):
            lines += [f"in a {topic} (gemel explain {topic} has all of its keys)", "", *found]
    return lines


def _is_of_rehearsals(name: str) -> bool:
    """Whether a finding of `gemel rehearse` has that name: its kinds are no rules of their own."""
    from gemel.rehearsal.kinds import ERRORS, UNJUDGED, WARNINGS

    return name in ERRORS | UNJUDGED | WARNINGS


def _mentioning(word: str) -> list[tuple[str, str, str]]:
    begins = re.compile(rf"\b{re.escape(word)}", re.IGNORECASE)
    lines = rule_lines()
    _, helpful = meaning_of_word(word) or ("", ())
    return [line for line in lines if line[0] in helpful or begins.search(f"{line[0]} {line[2]}")] or [
        line
        for line in lines
        if (rule := rule_named(line[0])) and begins.search(f"{rule.why} {rule.remedy} {rule.source}")
    ]


def _refuse(name: str) -> None:
    from gemel.errors import nearest_hint

    lines, word = rule_lines(), name.casefold()
    used = {word for line in lines for word in re.findall(r"[a-z]{4,}", f"{line[0]} {line[2]}".lower())}
    hint = (
        nearest_hint(word, [*(line[0] for line in lines), *TOPICS])
        or (f"`gemel {name} --help` explains that command" if name in COMMANDS else "")
        or _pages_with(name)
        or nearest_hint(word, sorted({*used, *known_words()}))
        or "`gemel explain` lists the rules"
    )
    expected = f"a rule, a word that a rule uses, or {', '.join(TOPICS)}"
    raise UsageProblem("unknown rule or topic", found=name, expected=expected, next_step=hint)


def _pages_with(word: str) -> str:
    """The pages that mention ``word``, those that do so most first; empty where none does."""
    begins = re.compile(rf"\b{re.escape(word)}", re.IGNORECASE)
    counts = {topic: len(begins.findall(_page(topic))) for topic in TOPICS}
    pages = sorted(filter(counts.__getitem__, TOPICS), key=lambda topic: -counts[topic])
    return (
        f"{', '.join(f'`gemel explain {page}`' for page in pages[:2])}: that word is there" if pages else ""
    )


def _list(lines: list[tuple[str, str, str]], *, whole: bool = False) -> Iterator[str]:
    """Rules by subject, one line each: the name, how serious a finding is, and what is checked.

    On a terminal as much of it as fits, or, where it is to be ``whole``, all of it in lines below the name; a program
    that reads the list gets it whole.
    """
    from gemel.checking.subjects import SUBJECTS, subject_of

    width = list_width(sys.stdout)
    column = max(len(name) for name, _, _ in lines)
    below = whole and max(len(checks) for _, _, checks in lines) + column + len("    warning  ") > width
    for subject, _ in SUBJECTS:
        rows = [line for line in lines if subject_of(line[0]) == subject]
        if rows:
            yield f"{subject} ({len(rows)})"
        for name, severity, checks in rows:
            if below:
                yield f"  {name} ({severity})"
                yield from wrapped(checks, width, "      ")
                continue
            head = f"  {name:<{column}}  {severity:<7}"
            line = f"{head}  {checks}"
            if len(line) > width:
                cut = f"{line[: line.rfind(' ', 0, width - 3)]} ..."
                line = cut if width - len(head) >= MIN_SENTENCE else head.rstrip()
            yield line
    yield ""
    yield f"{len(lines)} rule{'' if len(lines) == 1 else 's'}"


def _one_rule(rule: Rule) -> Iterator[str]:
    guards = {
        "image": "the image: cannot be waived or made less severe where a seal is required",
        "device": "that the device works",
    }
    yield f"{rule.name}  ({rule.severity})"
    yield ""
    for label, text in (
        ("guards", guards[rule.guards]),
        ("checks", rule.checks),
        ("why", rule.why),
        ("remedy", rule.remedy),
        ("source", rule.source),
    ):
        yield from wrapped(text, _width(), f"  {label:<8}")


def _as_json(topic: str | None) -> str:
    from gemel.checking.explained import explained

    if topic in TOPICS:
        return explained([], _page(topic))
    if topic is None:
        return explained(all_rules(), None)
    rule = _rule(OF_REHEARSALS if _is_of_rehearsals(topic) else topic)
    found = [rule] if rule else [rule_named(name) for name, _, _ in _mentioning(topic)]
    meaning = None if rule else meaning_of_word(topic)
    text = [*(meaning or ())[:1], *([] if rule else _keys(topic))]
    if not (found or text):
        _refuse(topic)
    return explained([each for each in found if each], "\n".join(text) or None)
