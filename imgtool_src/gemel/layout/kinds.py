"""The kinds of value a layout key can take: how each is read, named in words and written as JSON Schema.

A kind turns what the TOML parser gave into the model's value, or says what it expected instead.  Tables
are kinds too: `Table` reads the keys that a dataclass of ``model`` declares with `key`.  One description
thus serves the reader, the JSON Schema and the reference table of the layout language.
"""

from __future__ import annotations

import dataclasses
import datetime
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, ClassVar

KeyPath = tuple[str | int, ...]
"""Where a value stands in the file: keys and list positions, as ("checksum", 0, "width")."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One value that is not what its key takes; the reader adds file and line."""

    path: KeyPath
    what: str
    found: str
    expected: str
    next_step: str = ""


Report = Callable[[Fault], None]
INVALID: Any = object()
"""Returned by `Kind.read` for a value it has reported; never enters the model."""


def in_toml_words(value: object) -> str:
    """A found value as the file would write it, with its type where that matters; long ones cut short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table with " + (", ".join(sorted(value)[:6]) or "no keys")
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, str):
        shown = value if len(value) <= 60 else value[:57] + "..."
        return f'"{shown}"'
    return str(value)


class Kind:
    """Base of all kinds.  `words` completes "expected ..."; `read` reports faults and never raises.

    ``label`` names the kind in a word or two, for the reference of the language.
    """

    words = "a value"
    label = "value"

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        """The model's value for ``value``, or INVALID after reporting what is wrong with it."""
        raise NotImplementedError

    def schema(self) -> dict[str, Any]:
        """The JSON Schema (draft 2020-12) of the values this kind takes, for TOML read as JSON."""
        raise NotImplementedError

    def refuse(self, value: object, path: KeyPath, report: Report, what: str = "") -> Any:
        """Report that ``value`` is not of this kind."""
        report(Fault(path, what or "value of the wrong kind", in_toml_words(value), self.words))
        return INVALID


class Integer(Kind):
    """A whole number from ``low`` to ``high``, both included."""

    def __init__(self, low: int, high: int) -> None:
        self.low, self.high = low, high
        self.words = f"a whole number from {low} to {high}"
        self.label = f"number {low}..{high}"

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        if isinstance(value, bool) or not isinstance(value, int):
            return self.refuse(value, path, report)
        if not self.low <= value <= self.high:
            return self.refuse(value, path, report, "number out of range")
        return value

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


class Address(Integer):
    """A 32-bit address or register value."""

    def __init__(self) -> None:
        super().__init__(0, 0xFFFF_FFFF)
        self.words = "an address or 32-bit value, 0x0000_0000 to 0xFFFF_FFFF"
        self.label = "address"


class Size(Kind):
    """A number of bytes: a whole number, or text with B, KiB, MiB or GiB; ``low`` is the smallest."""

    pattern = re.compile(r"\s*(\d[\d_]{0,15})\s*(B|KiB|MiB|GiB)\s*")
    label = "size"
    units: ClassVar = {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30}

    def __init__(self, low: int = 1) -> None:
        self.low = low
        self.words = (
            f'a size of {low} to 4 GiB: bytes as a number, or text such as "4 KiB" (B, KiB, MiB, GiB)'
        )

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        size: int | None = None
        if isinstance(value, int) and not isinstance(value, bool):
            size = value
        elif isinstance(value, str) and (match := self.pattern.fullmatch(value)):
            size = int(match[1].replace("_", "")) * self.units[match[2]]
        if size is None:
            return self.refuse(value, path, report)
        if not self.low <= size <= 1 << 32:
            return self.refuse(value, path, report, "size out of range")
        return size

    def schema(self) -> dict[str, Any]:
        return {
            "oneOf": [
                {"type": "integer", "minimum": self.low, "maximum": 1 << 32},
                {"type": "string", "pattern": r"^\s*[0-9][0-9_]{0,15}\s*(B|KiB|MiB|GiB)\s*$"},
            ]
        }


class Flag(Kind):
    """true or false."""

    words = label = "true or false"

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        return value if isinstance(value, bool) else self.refuse(value, path, report)

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


class Always(Kind):
    """The one value ``value``, written to say that a choice is meant."""

    def __init__(self, value: bool | int) -> None:
        self.value = value
        self.words = self.label = in_toml_words(value)

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        same = type(value) is type(self.value) and value == self.value
        return value if same else self.refuse(value, path, report)

    def schema(self) -> dict[str, Any]:
        return {"const": self.value}


class Text(Kind):
    """Text of 1 to ``most`` bytes of UTF-8, matching ``pattern`` (whole) where one is given."""

    def __init__(self, most: int = 4096, pattern: str = "", words: str = "", label: str = "text") -> None:
        self.most, self.pattern, self.label = most, pattern, label
        self.words = words or f"text of 1 to {most} bytes"

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        if not isinstance(value, str):
            return self.refuse(value, path, report)
        if not value or len(value.encode()) > self.most:
            return self.refuse(value, path, report, "text of the wrong length")
        if self.pattern and not re.fullmatch(self.pattern, value):
            return self.refuse(value, path, report, "text of the wrong form")
        return value

    def schema(self) -> dict[str, Any]:
        result: dict[str, Any] = {"type": "string", "minLength": 1, "maxLength": self.most}
        if self.pattern:
            result["pattern"] = f"^(?:{self.pattern})$"
        return result


class Choice(Kind):
    """One of a few words."""

    def __init__(self, *options: str) -> None:
        self.options = options
        self.words = "one of " + ", ".join(f'"{option}"' for option in options)
        self.label = " | ".join(f'"{option}"' for option in options)

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        if isinstance(value, str) and value in self.options:
            return value
        hint = ""
        if isinstance(value, str):
            hint = nearest_hint(value, self.options)
        report(Fault(path, "unknown word", in_toml_words(value), self.words, hint))
        return INVALID

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.options)}


class Day(Kind):
    """A date, written bare: 2027-06-30."""

    words = "a date, written without quotes: 2027-06-30"
    label = "date"

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
            return value
        return self.refuse(value, path, report)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "date"}


class ListOf(Kind):
    """A list of at most ``most`` values of one kind, read as a tuple."""

    def __init__(self, item: Kind, most: int = 4096) -> None:
        self.item, self.most = item, most
        self.words = f"a list, each {item.words}"
        self.label = f"list of {item.label}"

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        if not isinstance(value, list):
            return self.refuse(value, path, report)
        if len(value) > self.most:
            return self.refuse(value, path, report, f"more than {self.most} entries")
        items = [self.item.read(entry, (*path, index), report) for index, entry in enumerate(value)]
        return tuple(item for item in items if item is not INVALID)

    def schema(self) -> dict[str, Any]:
        return {"type": "array", "items": self.item.schema(), "maxItems": self.most}


NAME_PATTERN = r"[A-Za-z0-9][A-Za-z0-9_-]{0,22}"


class MapOf(Kind):
    """A table whose keys are names of the user's choice, each holding one kind; read as a dict."""

    def __init__(self, item: Kind) -> None:
        self.item = item
        self.words = f"a table of names, each {item.words}"
        self.label = f"NAME = {item.label}"

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        if not isinstance(value, dict):
            return self.refuse(value, path, report)
        result = {}
        for name, entry in value.items():
            if not re.fullmatch(NAME_PATTERN, name):
                expected = "1 to 23 letters, digits, '-' or '_', a letter or digit first"
                report(Fault((*path, name), "name of the wrong form", in_toml_words(name), expected))
            item = self.item.read(entry, (*path, name), report)
            if item is not INVALID:
                result[name] = item
        return result

    def schema(self) -> dict[str, Any]:
        return {
            "type": "object",
            "propertyNames": {"pattern": f"^{NAME_PATTERN}$"},
            "additionalProperties": self.item.schema(),
        }


class Either(Kind):
    """Any of several kinds, told apart by the type of what was found (text, number or table).

    At most one of them takes text, one numbers; among tables the one that knows most of the keys
    is taken, so that its faults are the ones reported.
    """

    def __init__(self, *kinds: Kind) -> None:
        self.kinds = kinds
        self.words = "; or ".join(kind.words for kind in kinds)
        self.label = " or ".join(dict.fromkeys(kind.label for kind in kinds))

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        if isinstance(value, dict):
            tables = [kind for kind in self.kinds if isinstance(kind, Table)]
            if tables:
                return max(tables, key=lambda table: table.likeness(value)).read(value, path, report)
        scalars = [kind for kind in self.kinds if not isinstance(kind, Table)]
        for kind in scalars:
            faults: list[Fault] = []
            result = kind.read(value, path, faults.append)
            if result is not INVALID:
                return result
        return self.refuse(value, path, report)

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [kind.schema() for kind in self.kinds]}


REQUIRED: Any = object()


@dataclass(frozen=True, slots=True)
class Key:
    """What a dataclass field says about its key: kind, one-line meaning, default and TOML name."""

    kind: Kind
    meaning: str
    default: Any = REQUIRED
    name: str = ""


def key(kind: Kind, meaning: str, default: Any = REQUIRED, name: str = "") -> Any:
    """Declare a dataclass field as a key of its table; without ``default`` the key is required."""
    described = Key(kind, meaning, default, name)
    if default is REQUIRED:
        return field(metadata={"key": described})
    if isinstance(default, dict):
        return field(default_factory=dict, metadata={"key": described})
    return field(default=default, metadata={"key": described})


class Table(Kind):
    """A table with exactly the keys that dataclass ``model`` declares; read as an instance of it.

    A field named ``name`` without a declaration takes the name the table goes by in its parent.
    """

    def __init__(self, model: type[Any], exactly_one: bool = False) -> None:
        self.model, self.exactly_one = model, exactly_one
        self.keys: dict[str, tuple[str, Key]] = {}
        self.takes_name = False
        for each in dataclasses.fields(model):
            declared = each.metadata.get("key")
            if declared:
                self.keys[declared.name or each.name] = (each.name, declared)
            elif each.name == "name":
                self.takes_name = True
        listed = ", ".join(self.keys)
        self.label = "table"
        self.words = f"a table with one of {listed}" if exactly_one else f"a table with {listed}"

    def likeness(self, value: dict[str, object]) -> int:
        """How many of the found keys this table knows, less those that it requires and misses."""
        known = sum(1 for name in value if name in self.keys)
        missing = sum(
            1 for name, (_, key) in self.keys.items() if key.default is REQUIRED and name not in value
        )
        return 8 * known - missing

    def read(self, value: object, path: KeyPath, report: Report) -> Any:
        if not isinstance(value, dict):
            return self.refuse(value, path, report)
        sound = True
        for name in value:
            if name not in self.keys:
                sound = False
                hint = nearest_hint(name, self.keys)
                report(Fault((*path, name), "unknown key", name, "one of " + ", ".join(self.keys), hint))
        values: dict[str, Any] = {"name": str(path[-1])} if self.takes_name else {}
        for name, (attribute, key) in self.keys.items():
            if name in value:
                values[attribute] = key.kind.read(value[name], (*path, name), report)
                sound = sound and values[attribute] is not INVALID
            elif key.default is REQUIRED:
                sound = False
                report(Fault((*path, name), "missing key", "nothing", key.kind.words, f"add {name} = ..."))
        if self.exactly_one and sum(name in value for name in self.keys) != 1:
            return self.refuse(value, path, report, "exactly one of the keys must be given")
        return self.model(**values) if sound else INVALID

    def schema(self) -> dict[str, Any]:
        properties = {}
        for name, (_, key) in self.keys.items():
            properties[name] = {"description": key.meaning, **key.kind.schema()}
        result: dict[str, Any] = {
            "type": "object",
            "properties": properties,
            "required": [name for name, (_, key) in self.keys.items() if key.default is REQUIRED],
            "additionalProperties": False,
        }
        if self.exactly_one:
            result |= {"minProperties": 1, "maxProperties": 1}
        return result


def nearest_hint(found: str, known: object) -> str:
    """``did you mean "x"?`` for the known word nearest to ``found``; empty when none is near."""
    from difflib import get_close_matches

    near = get_close_matches(found, [str(word) for word in known], 1, 0.6)  # type: ignore[attr-defined]
    return f'did you mean "{near[0]}"?' if near else ""
