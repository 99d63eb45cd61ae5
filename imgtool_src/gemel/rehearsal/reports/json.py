"""A rehearsal as JSON, and the JSON Schema (draft 2020-12) that it keeps to."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from gemel.checking.identity import Identity
from gemel.rehearsal.limits import CAUTION
from gemel.rehearsal.result import Happening, Rehearsal, StackUse
from gemel.spans import format_address
from gemel.text.as_json import data_of, schema_of

FORMAT = 2
"""Version of the form.  2: ``identity`` replaces ``tool``, ``product`` and ``image``."""


def report(rehearsal: Rehearsal, identity: Identity) -> str:
    """The report as JSON text: the same inputs give the same bytes."""
    return json.dumps(report_data(rehearsal, identity), indent=2, ensure_ascii=True)


def report_data(rehearsal: Rehearsal, identity: Identity) -> dict[str, Any]:
    """The report as plain data, as `report_schema` describes it."""
    shared = rehearsal.shared_memory
    own = {
        "format": FORMAT,
        "identity": data_of(identity),
        "serial": rehearsal.texts,
        "shared_memory_sha256": {area: hashlib.sha256(data).hexdigest() for area, data in shared.items()},
        "caution": CAUTION,
    }
    return {
        name: own[name] if name in own else _data(getattr(rehearsal, name), schema)
        for name, schema in _REPORT.items()
    }


def _data(value: Any, schema: dict[str, Any]) -> Any:
    """A value as its schema has it; each property of an object is the field of that name, or of ``_FIELDS``."""
    if "anyOf" in schema:
        return None if value is None else _data(value, schema["anyOf"][0])
    if "items" in schema:
        return [_data(each, schema["items"]) for each in value]
    if "properties" in schema:
        return {name: _data(_field(value, name), each) for name, each in schema["properties"].items()}
    return value


def _field(value: Any, name: str) -> Any:
    if name == "text" and not isinstance(value, Happening):
        return format_address(value.top if isinstance(value, StackUse) else value.address)
    return getattr(value, _FIELDS.get(name, name))


def _object(properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _list(item: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": item}


_TEXT, _COUNT, _FLAG = {"type": "string"}, {"type": "integer", "minimum": 0}, {"type": "boolean"}
_MAYBE = {"type": ["integer", "null"]}
_PLACE = _object({"address": _COUNT, "text": _TEXT, "function": _TEXT, "source": _TEXT})
_MAYBE_PLACE = {"anyOf": [_PLACE, {"type": "null"}]}
_FINDING = {
    "kind": _TEXT,
    "severity": {"enum": ["error", "warning"]},
    "core": _TEXT,
    "time": _COUNT,
    "times": {"type": "integer", "minimum": 1},
    "what": _TEXT,
    "found": _TEXT,
    "expected": _TEXT,
    "next": _TEXT,
    "place": _MAYBE_PLACE,
    "calls": _list(_PLACE),
}
_EVENT = {
    "time": _COUNT,
    "core": _TEXT,
    "kind": _TEXT,
    "text": _TEXT,
    "place": _MAYBE_PLACE,
    "numbers": {"type": "object", "additionalProperties": {"type": "integer"}},
    "words": {"type": "object", "additionalProperties": _TEXT},
}
_CORE = {
    "name": _TEXT,
    "role": {"enum": ["primary", "secondary"]},
    "state": {"enum": ["reset", "running", "waiting", "sleeping", "locked up", "stopped"]},
    "instructions": _COUNT,
    "place": _MAYBE_PLACE,
    "stack_top": _MAYBE,
    "stack_used": _MAYBE,
    "stack_room": _MAYBE,
    "stacks": _list(_object({"name": _TEXT, "top": _COUNT, "text": _TEXT, "used": _COUNT, "room": _MAYBE})),
    "ram": _list(_object({"area": _TEXT, "touched": _COUNT, "size": _COUNT})),
    "functions": _list(_TEXT),
    "function_count": _COUNT,
}
_REGISTER = {
    "core": _TEXT,
    "address": _COUNT,
    "text": _TEXT,
    "reads": _COUNT,
    "writes": _COUNT,
    "last_value": _COUNT,
    "described": _FLAG,
    "first_used_by": _TEXT,
}
_REPORT: dict[str, dict[str, Any]] = {
    "format": {"const": FORMAT},
    "identity": {"$ref": "#/$defs/Identity"},
    "passes": _FLAG,
    "outcome": {"enum": ["passes", "started", "no verdict", "fails"]},
    "ended": _TEXT,
    "budget": _COUNT,
    "time": _COUNT,
    "executed": _COUNT,
    "findings": _list(_object(_FINDING)),
    "events": _list(_object(_EVENT)),
    "cores": _list(_object(_CORE)),
    "serial": {"type": "object", "additionalProperties": _TEXT},
    "goals": _list(_object({"core": _TEXT, "goal": _TEXT, "reached": _FLAG})),
    "registers": _list(_object(_REGISTER)),
    "shared_memory_sha256": {"type": "object", "additionalProperties": _TEXT},
    "notes": _list(_TEXT),
    "not_modelled": _list(_TEXT),
    "caution": _TEXT,
}
_FIELDS = {"next": "next_step", "first_used_by": "function", "goal": "label"}
"""Fields that have another name in the report."""


def report_schema() -> dict[str, Any]:
    """The JSON Schema of the report."""
    identity = schema_of(Identity, "")
    definitions = identity.pop("$defs")
    del identity["$schema"], identity["title"]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"gemel rehearsal, format {FORMAT}",
        "$defs": {"Identity": identity, **definitions},
        **_object(_REPORT),
    }
