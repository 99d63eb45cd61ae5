"""The JSON Schemas that ``gemel export`` writes."""

from __future__ import annotations

import json
from typing import Any

from gemel.workflows.exports import EXPORTS


def exported_schema(name: str) -> dict[str, Any]:
    """The schema that is exported as ``name``, such as ``check-schema``."""
    (text,) = [each.text for each in EXPORTS if each.name == name]
    assert text is not None
    return json.loads(text())
