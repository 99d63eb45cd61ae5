"""Data classes as JSON text, and the JSON Schema of that, derived from their declarations: once for all commands.

A class is one whose fields are annotated, of whatever kind (struct, dataclass, named tuple); a meaning in
``Annotated[type, "meaning"]`` becomes the schema's description.  How values are written:

    Address     {"value": 268435456, "text": "0x1000_0000"}
    Span        {"start": .., "size": .., "text": "0x1000_0000..0x1000_00FF"}
    bytes       hexadecimal digits          date    "2027-06-30"
    tuple       a list                      dict    an object, by its keys
    from_       "from": a field that would be a word of Python has ``_`` at its end;
                ``JSON_NAMES`` of a class has further names of fields

JSON text is ASCII, so that no name from a file can steer a terminal or turn the direction of text.
"""

from __future__ import annotations

import datetime
import json
import types
from collections.abc import Callable
from functools import cache, partial
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from gemel.spans import SIGNED, Address, Span, format_address

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def _object(description: str, properties: dict[str, Any]) -> dict[str, Any]:
    """An object with exactly these properties, all required."""
    return {
        "type": "object",
        "description": description,
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


_SHARED = {
    "Address": _object(
        "An address or a word, as a number and as text.",
        {
            "value": {"type": "integer", "minimum": 0, "maximum": 0xFFFF_FFFF},
            "text": {"type": "string", "pattern": "^0x[0-9A-F]{4}_[0-9A-F]{4}$"},
        },
    ),
    "Span": _object(
        "Bytes from an address on; the text has an inclusive end.",
        {
            "start": {"type": "integer", "minimum": 0},
            "size": {"type": "integer", "minimum": 0},
            "text": {"type": "string"},
        },
    ),
}
_PLAIN: dict[Any, dict[str, Any]] = {
    Address: {"$ref": "#/$defs/Address"},
    Span: {"$ref": "#/$defs/Span"},
    bytes: {"type": "string", "pattern": "^([0-9a-f]{2})*$"},
    datetime.date: {"type": "string", "format": "date"},
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer", "minimum": 0},
    float: {"type": "number", "minimum": 0},
    type(None): {"type": "null"},
}

_AS_IT_IS = frozenset((str, int, bool, float, type(None)))
"""Types, and not what is derived from them, whose values JSON has."""


def json_text(data: Any) -> str:
    """Plain data as JSON text in ASCII, the same for equal data; ends with a newline."""
    return json.dumps(data, indent=2, ensure_ascii=True) + "\n"


def data_of(value: Any) -> Any:
    """A value, and all that is in it, as what ``json`` can write."""
    if type(value) in _AS_IT_IS:
        return value
    if isinstance(value, Span):
        return {"start": value.start, "size": value.size, "text": str(value)}
    if isinstance(value, Address):
        return {"value": int(value), "text": format_address(value)}
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, datetime.date):
        return value.isoformat()
    kind: Any = type(value)
    if names := _fields(kind):
        return {name: data_of(getattr(value, field)) for field, name in names.items()}
    if isinstance(value, tuple | list):
        return [data_of(each) for each in value]
    if isinstance(value, dict):
        return {key: data_of(each) for key, each in value.items()}
    return value


def value_of(kind: Any, data: Any) -> Any:
    """The value of a class, or of another type, of which `data_of` made ``data``.

    Fields with a default may be missing.  Raises ValueError for anything else; knows neither addresses nor spans.
    """
    return _reader(kind)(data)


@cache
def _reader(hint: Any) -> Callable[[Any], Any]:
    """What makes the values of a type."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _reader(inner[0])
    if origin is tuple:
        return _items_reader([_reader(each) for each in inner if each is not ...], ... in inner)
    if origin is dict:
        of_value = _reader(inner[1])
        return lambda data: {key: of_value(value) for key, value in _of_kind(data, {dict}).items()}
    if origin in (Union, types.UnionType) and not _AS_IT_IS.issuperset(inner):
        (other,) = (_reader(each) for each in inner if each is not type(None))
        return lambda data: None if data is None else other(data)
    if origin is Literal:
        return lambda data: _of_kind(data, {type(each) for each in inner if each == data})
    if origin or hint in _AS_IT_IS:
        return partial(_of_kind, kinds={*(inner or (hint,))})
    return _class_reader(hint)


def _of_kind(data: Any, kinds: set[type]) -> Any:
    if type(data) not in kinds:
        raise ValueError(f"{data!r:.60} is of another type or value")
    return data


def _items_reader(of_items: list[Callable[[Any], Any]], any_length: bool) -> Callable[[Any], Any]:
    def items(data: Any) -> tuple[Any, ...]:
        items = _of_kind(data, {list})
        if any_length:
            return tuple(map(of_items[0], items))
        return tuple(read(item) for read, item in zip(of_items, items, strict=True))

    return items


def _class_reader(model: type) -> Callable[[Any], Any]:
    hints = get_type_hints(model, include_extras=True)
    readers = {name: (field, _reader(hints[field])) for field, name in _fields(model).items()}

    def instance(data: Any) -> Any:
        if not _of_kind(data, {dict}).keys() <= readers.keys():
            raise ValueError(f"other keys than those of {model.__name__}")
        values = {readers[name][0]: readers[name][1](item) for name, item in data.items()}
        try:
            return model(**values)
        except TypeError as error:
            raise ValueError(f"a key of {model.__name__} is missing") from error

    return instance


def schema_of(model: type, title: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of what `data_of` makes of a ``model``."""
    definitions: dict[str, Any] = {}
    _define(model, definitions)
    whole = definitions.pop(model.__name__)
    return {"$schema": DIALECT, "title": title, **whole, "$defs": dict(sorted(definitions.items()))}


def form_text(number: int, value: Any) -> str:
    """A ``value`` as JSON text after ``format``, the number of its form; the same for equal values."""
    return json_text({"format": number, **data_of(value)})


def form_schema(model: type, title: str, number: int) -> dict[str, Any]:
    """JSON Schema of a report: of `form_text` where the class has no field ``format`` of its own."""
    schema = schema_of(model, f"{title}, format {number}")
    if "format" not in schema["properties"]:
        schema["properties"] = {"format": {"const": number}, **schema["properties"]}
        schema["required"].insert(0, "format")
    return schema


@cache
def _fields(model: type) -> dict[str, str]:
    """The name in JSON of each field."""
    names = getattr(model, "JSON_NAMES", {})
    declared = getattr(model, "__annotations__", {})
    return {name: names.get(name, name.rstrip("_")) for name in declared if name not in ("_", "JSON_NAMES")}


def _define(model: type, definitions: dict[str, Any]) -> None:
    """Put the schema of a class, and of those it uses, into ``definitions`` by name."""
    if model.__name__ in definitions:
        return
    definitions[model.__name__] = {}
    hints = get_type_hints(model, include_extras=True)
    properties = {name: _schema_of(hints[field], definitions) for field, name in _fields(model).items()}
    definitions[model.__name__] = _object((model.__doc__ or "").strip(), properties)


def _schema_of(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Annotated:
        schema = _schema_of(inner[0], definitions)
        for each in inner[1:]:
            schema = {"type": "integer"} if each is SIGNED else {**schema, "description": each}
        return schema
    if origin is Literal:
        return {"enum": list(inner)}
    if origin is tuple:
        return {"type": "array", "items": _schema_of(inner[0], definitions)}
    if origin is dict and get_origin(inner[0]) is Literal:
        return _object(
            "One value for each.", {key: _schema_of(inner[1], definitions) for key in get_args(inner[0])}
        )
    if origin is dict:
        return {"type": "object", "additionalProperties": _schema_of(inner[1], definitions)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_schema_of(each, definitions) for each in inner]}
    if hint in _PLAIN:
        if hint in (Address, Span):
            definitions[hint.__name__] = _SHARED[hint.__name__]
        return dict(_PLAIN[hint])
    _define(hint, definitions)
    return {"$ref": f"#/$defs/{hint.__name__}"}
