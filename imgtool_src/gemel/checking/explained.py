"""What `gemel explain` says, as JSON, and the JSON Schema that it keeps to."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from gemel.checking.identity import Tool
from gemel.checking.rule import GuardedSubject, Rule, Severity
from gemel.checking.subjects import subject_of
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text
from gemel.version import __version__

FORMAT = 1
"""Version of the form; a change that an old reader would misread gets the next number."""


class ExplainedRule(Struct):
    """One rule."""

    name: Annotated[str, "its name"]
    subject: Annotated[str, "what it is about"]
    severity: Annotated[Severity, "how serious a finding is, if the layout does not change it"]
    guards: Annotated[
        GuardedSubject, "image: that the bytes are those that were joined; device: that they work"
    ]
    checks: Annotated[str, "what must hold"]
    why: Annotated[str, "what happens where it does not"]
    remedy: Annotated[str, "what to do"]
    source: Annotated[str, "where it comes from"]


class Explanation(Struct):
    """Rules, or a page."""

    format: Annotated[int, f"version of this form: {FORMAT}"]
    tool: Annotated[Tool, "what wrote it"]
    rules: Annotated[tuple[ExplainedRule, ...], "the rules, by name"]
    page: Annotated[
        str | None,
        "the page of a topic, or what the word means and the keys of that name, as text; null: rules were requested",
    ]


def explained(of: Iterable[Rule], page: str | None) -> str:
    """These rules, or a page, as JSON text."""
    rules = tuple(
        ExplainedRule(
            rule.name,
            subject_of(rule.name),
            rule.severity,
            rule.guards,
            rule.checks,
            rule.why,
            rule.remedy,
            rule.source,
        )
        for rule in of
    )
    return json_text(data_of(Explanation(FORMAT, Tool("gemel", __version__), rules, page)))
