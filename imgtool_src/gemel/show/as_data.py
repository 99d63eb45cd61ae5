"""``Contents`` as JSON values, and the JSON Schema of them; both follow the structs' own declarations.

An address or word becomes ``{"value": 268435456, "text": "0x1000_0000"}``, a span
``{"start": .., "size": .., "text": ..}``, bytes become hexadecimal digits.
"""

from __future__ import annotations

import json
import types
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from gemel.show.facts.contents import FORMAT, Address, Contents
from gemel.spans import Span, format_address
from gemel.structs import Struct, fields

_ADDRESS = {
    "type": "object",
    "description": "An address or a word, as a number and as text.",
    "properties": {
        "value": {"type": "integer", "minimum": 0, "maximum": 0xFFFF_FFFF},
        "text": {"type": "string", "pattern": "^0x[0-9A-F]{4}_[0-9A-F]{4}$"},
    },
    "required": ["value", "text"],
    "additionalProperties": False,
}
_SPAN = {
    "type": "object",
    "description": "Bytes from an address on; the text has an inclusive end.",
    "properties": {
        "start": {"type": "integer", "minimum": 0},
        "size": {"type": "integer", "minimum": 0},
        "text": {"type": "string"},
    },
    "required": ["start", "size", "text"],
    "additionalProperties": False,
}
_PLAIN: dict[Any, dict[str, Any]] = {
    Address: {"$ref": "#/$defs/Address"},
    Span: {"$ref": "#/$defs/Span"},
    bytes: {"type": "string", "pattern": "^([0-9a-f]{2})*$"},
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer", "minimum": 0},
    float: {"type": "number", "minimum": 0},
    type(None): {"type": "null"},
}


def json_text(contents: Contents) -> str:
    """The whole as JSON text, the same for equal contents; ends with a newline."""
    data = {"format": FORMAT, **data_of(contents)}
    return json.dumps(data, indent=2, ensure_ascii=True) + "\n"


def data_of(value: Any) -> Any:
    """A value of ``contents`` as what ``json`` can write."""
    if isinstance(value, Span):
        return {"start": value.start, "size": value.size, "text": str(value)}
    if isinstance(value, Address):
        return {"value": int(value), "text": format_address(value)}
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, tuple):
        return [data_of(each) for each in value]
    if isinstance(value, Struct):
        return {name: data_of(getattr(value, name)) for name in fields(value)}
    return value


def show_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of what ``gemel show --format json`` prints."""
    definitions: dict[str, Any] = {"Address": _ADDRESS, "Span": _SPAN}
    _define(Contents, definitions)
    whole = definitions.pop("Contents")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"gemel show, format {FORMAT}",
        **whole,
        "properties": {"format": {"const": FORMAT}, **whole["properties"]},
        "required": ["format", *whole["required"]],
        "$defs": dict(sorted(definitions.items())),
    }


def _define(model: type, definitions: dict[str, Any]) -> None:
    """Put the schema of a struct, and of those it uses, into ``definitions`` by name."""
    if model.__name__ in definitions:
        return
    definitions[model.__name__] = {}
    properties = {}
    for name, hint in get_type_hints(model, include_extras=True).items():
        kind, meaning = get_args(hint)
        properties[name] = {**_schema_of(kind, definitions), "description": meaning}
    definitions[model.__name__] = {
        "type": "object",
        "description": (model.__doc__ or "").strip(),
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _schema_of(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    if hint in _PLAIN:
        return dict(_PLAIN[hint])
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Literal:
        return {"enum": list(inner)}
    if origin is tuple:
        return {"type": "array", "items": _schema_of(inner[0], definitions)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_schema_of(each, definitions) for each in inner]}
    _define(hint, definitions)
    return {"$ref": f"#/$defs/{hint.__name__}"}
