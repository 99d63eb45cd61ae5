"""Answers as JSON, and the JSON Schema of that; both follow the declarations in ``facts``."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from gemel.lookup.facts import FORMAT, AddressFacts, Answer, Answers, SymbolFacts
from gemel.text.as_json import data_of, json_text, schema_of


def report(answers: Iterable[Answer]) -> str:
    """All answers as JSON text; ends with a newline."""
    given = list(answers)
    both = Answers(
        tuple(each for each in given if isinstance(each, AddressFacts)),
        tuple(each for each in given if isinstance(each, SymbolFacts)),
    )
    return json_text({"format": FORMAT, **data_of(both)})


def where_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of what ``gemel where --format json`` prints."""
    schema = schema_of(Answers, f"gemel where, format {FORMAT}")
    schema["properties"] = {"format": {"const": FORMAT}, **schema["properties"]}
    schema["required"].insert(0, "format")
    return schema
