"""A comparison as JSON, and the JSON Schema of that; both follow the declarations in ``changes``."""

from __future__ import annotations

from typing import Any

from gemel.comparing.changes import FORMAT, Comparison
from gemel.text.as_json import data_of, json_text, schema_of


def report(comparison: Comparison) -> str:
    """The whole as JSON text, the same for equal comparisons; ends with a newline."""
    return json_text({"format": FORMAT, **data_of(comparison)})


def compare_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of what ``gemel compare --format json`` prints."""
    schema = schema_of(Comparison, f"gemel compare, format {FORMAT}")
    schema["properties"] = {"format": {"const": FORMAT}, **schema["properties"]}
    schema["required"].insert(0, "format")
    return schema
