"""A rehearsal as JSON, and the JSON Schema (draft 2020-12) that it keeps to."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from gemel.checking.identity import Identity
from gemel.rehearsal.limits import CAUTION
from gemel.rehearsal.result import Happening, Place, Rehearsal, RehearsalFinding
from gemel.spans import format_address
from gemel.text.as_json import data_of, schema_of

FORMAT = 2
"""Version of the form.  2: ``identity`` replaces ``tool``, ``product`` and ``image``."""


def report(rehearsal: Rehearsal, identity: Identity) -> str:
    """The report as JSON text: the same inputs give the same bytes."""
    return json.dumps(report_data(rehearsal, identity), indent=2, ensure_ascii=True)


def report_data(rehearsal: Rehearsal, identity: Identity) -> dict[str, Any]:
    """The report as plain data, as `report_schema` describes it."""
    return {
        "format": FORMAT,
        "identity": data_of(identity),
        "passes": rehearsal.passes,
        "outcome": rehearsal.outcome,
        "ended": rehearsal.ended,
        "budget": rehearsal.budget,
        "time": rehearsal.time,
        "executed": rehearsal.executed,
        "findings": [_finding(each) for each in rehearsal.findings],
        "events": [_event(each) for each in rehearsal.events],
        "cores": [
            {
                "name": core.name,
                "role": core.role,
                "state": core.state,
                "instructions": core.instructions,
                "place": _place(core.place),
                "stack_top": core.stack_top,
                "stack_used": core.stack_used,
                "stack_room": core.stack_room,
                "stacks": [
                    {
                        "name": use.name,
                        "top": use.top,
                        "text": format_address(use.top),
                        "used": use.used,
                        "room": use.room,
                    }
                    for use in core.stacks
                ],
                "ram": [{"area": use.area, "touched": use.touched, "size": use.size} for use in core.ram],
                "functions": list(core.functions),
                "function_count": core.function_count,
            }
            for core in rehearsal.cores
        ],
        "serial": rehearsal.texts,
        "goals": [
            {"core": goal.core, "goal": goal.label, "reached": goal.reached} for goal in rehearsal.goals
        ],
        "registers": [
            {
                "core": use.core,
                "address": use.address,
                "text": format_address(use.address),
                "reads": use.reads,
                "writes": use.writes,
                "last_value": use.last_value,
                "described": use.described,
                "first_used_by": use.function,
            }
            for use in rehearsal.registers
        ],
        "shared_memory_sha256": {
            area: hashlib.sha256(data).hexdigest() for area, data in rehearsal.shared_memory.items()
        },
        "notes": list(rehearsal.notes),
        "not_modelled": list(rehearsal.not_modelled),
        "caution": CAUTION,
    }


def _place(place: Place | None) -> dict[str, Any] | None:
    if place is None:
        return None
    return {
        "address": place.address,
        "text": format_address(place.address),
        "function": place.function,
        "source": place.source,
    }


def _finding(finding: RehearsalFinding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "severity": finding.severity,
        "core": finding.core,
        "time": finding.time,
        "times": finding.times,
        "what": finding.what,
        "found": finding.found,
        "expected": finding.expected,
        "next": finding.next_step,
        "place": _place(finding.place),
        "calls": [_place(call) for call in finding.calls],
    }


def _event(event: Happening) -> dict[str, Any]:
    return {
        "time": event.time,
        "core": event.core,
        "kind": event.kind,
        "text": event.text,
        "place": _place(event.place),
        "numbers": event.numbers,
        "words": event.words,
    }


def report_schema() -> dict[str, Any]:
    """The JSON Schema of the report."""
    text, count, flag = {"type": "string"}, {"type": "integer", "minimum": 0}, {"type": "boolean"}
    maybe = {"type": ["integer", "null"]}
    place = _object({"address": count, "text": text, "function": text, "source": text})
    maybe_place = {"anyOf": [place, {"type": "null"}]}
    finding = {
        "kind": text,
        "severity": {"enum": ["error", "warning"]},
        "core": text,
        "time": count,
        "times": {"type": "integer", "minimum": 1},
        "what": text,
        "found": text,
        "expected": text,
        "next": text,
        "place": maybe_place,
        "calls": _list(place),
    }
    event = {
        "time": count,
        "core": text,
        "kind": text,
        "text": text,
        "place": maybe_place,
        "numbers": {"type": "object", "additionalProperties": {"type": "integer"}},
        "words": {"type": "object", "additionalProperties": text},
    }
    core = {
        "name": text,
        "role": {"enum": ["primary", "secondary"]},
        "state": {"enum": ["reset", "running", "waiting", "sleeping", "locked up", "stopped"]},
        "instructions": count,
        "place": maybe_place,
        "stack_top": maybe,
        "stack_used": maybe,
        "stack_room": maybe,
        "stacks": _list(_object({"name": text, "top": count, "text": text, "used": count, "room": maybe})),
        "ram": _list(_object({"area": text, "touched": count, "size": count})),
        "functions": _list(text),
        "function_count": count,
    }
    register = {
        "core": text,
        "address": count,
        "text": text,
        "reads": count,
        "writes": count,
        "last_value": count,
        "described": flag,
        "first_used_by": text,
    }
    identity = schema_of(Identity, "")
    definitions = identity.pop("$defs")
    del identity["$schema"], identity["title"]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"gemel rehearsal, format {FORMAT}",
        "$defs": {"Identity": identity, **definitions},
        **_object(
            {
                "format": {"const": FORMAT},
                "identity": {"$ref": "#/$defs/Identity"},
                "passes": flag,
                "outcome": {"enum": ["passes", "started", "no verdict", "fails"]},
                "ended": text,
                "budget": count,
                "time": count,
                "executed": count,
                "findings": _list(_object(finding)),
                "events": _list(_object(event)),
                "cores": _list(_object(core)),
                "serial": {"type": "object", "additionalProperties": text},
                "goals": _list(_object({"core": text, "goal": text, "reached": flag})),
                "registers": _list(_object(register)),
                "shared_memory_sha256": {"type": "object", "additionalProperties": text},
                "notes": _list(text),
                "not_modelled": _list(text),
                "caution": text,
            }
        ),
    }


def _object(properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _list(item: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": item}
