"""The JSON Schema of the layout language, made from the model's own declarations."""

from __future__ import annotations

from typing import Any

from gemel.layout.model import Layout
from gemel.layout.tables import Table


def layout_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) for a layout file read from TOML into JSON values.

    It says what every table may hold.  What the parts say about each other (that an area is inside
    its memory, that a name exists) is beyond a schema and is checked by the reader.
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "gemel layout, format 1",
        "description": "Describes a two-core device and says where everything in its flash image goes.",
        **Table(Layout).schema(),
    }
