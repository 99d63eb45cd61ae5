"""``Contents`` as JSON, and the JSON Schema of that; both follow the declarations in ``facts/contents``."""

from __future__ import annotations

from typing import Any

from gemel.show.facts.contents import FORMAT, Contents
from gemel.text.as_json import data_of, json_text, schema_of


def report(contents: Contents) -> str:
    """The whole as JSON text, the same for equal contents; ends with a newline."""
    return json_text({"format": FORMAT, **data_of(contents)})


def show_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of what ``gemel show --format json`` prints."""
    schema = schema_of(Contents, f"gemel show, format {FORMAT}")
    schema["properties"] = {"format": {"const": FORMAT}, **schema["properties"]}
    schema["required"].insert(0, "format")
    return schema
