"""The kinds of value that hold others: lists, tables of the user's names, tables with fixed keys, choices.

`Table` reads the keys that a struct of ``model`` declares with `key`; with the kinds of ``kinds`` below
it, one description serves the reader, the JSON Schema and the reference of the layout language.
"""

from __future__ import annotations

import re
from typing import Any

from gemel.errors import nearest_hint
from gemel.layout.kinds import (
    INVALID,
    REQUIRED,
    WRONG_KIND,
    FaultReport,
    Key,
    KeyPath,
    LayoutFault,
    Text,
    ValueType,
    in_toml_words,
)
from gemel.structs import fields
from gemel.text.escaping import in_toml

NAME_PATTERN = r"[A-Za-z0-9][A-Za-z0-9_-]{0,22}"
"""Names of the user's choice; the record holds up to 31 bytes of them."""

NAME = Text(23, NAME_PATTERN, "the name of a table of this layout", "name")
LABEL = Text(23, NAME_PATTERN, "1 to 23 letters, digits, '-' or '_'", "name")


class ListOf(ValueType):
    """A list of ``least`` to ``most`` values of one kind, read as a tuple."""

    def __init__(self, item: ValueType, most: int, least: int = 0) -> None:
        self.item, self.most, self.least = item, most, least
        self.words = f"a list, each {item.words}"
        self.label = f"list of {item.label}"

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        """A tuple of the entries that are sound; every other one is reported."""
        if not isinstance(value, list):
            return self.refuse(value, path, report, next_step=self._meant(value, path))
        if len(value) > self.most:
            return _too_many(len(value), self.most, path, report)
        if len(value) < self.least:
            step = f"leave {path[-1]} out where any is accepted"
            return self.refuse(value, path, report, "an empty list would accept none", next_step=step)
        items = [self.item.read(entry, (*path, index), report) for index, entry in enumerate(value)]
        return tuple(item for item in items if item is not INVALID)

    def schema(self) -> dict[str, Any]:
        """An array."""
        least = {"minItems": self.least} if self.least else {}
        return {"type": "array", "items": self.item.schema(), **least, "maxItems": self.most}

    def _meant(self, value: object, path: KeyPath) -> str:
        """What to write for a value that is one entry without its brackets, or a table under another header."""
        faults: list[LayoutFault] = []
        if self.item.read(value, path, faults.append) is INVALID or faults or isinstance(self.item, Table):
            return _header_hint(self, value, path)
        return f"write {path[-1]} = [{in_toml_words(value, 1024)}]"

    def example(self, path: KeyPath) -> str:
        """A header in double brackets where the entries are tables."""
        return f"[[{dotted(path)}]]" if isinstance(self.item, Table) else f"{path[-1]} = [...]"


class MapOf(ValueType):
    """A table of at most ``most`` names of the user's choice, each holding one kind; read as a dict."""

    def __init__(self, item: ValueType, most: int, pattern: str = NAME_PATTERN) -> None:
        self.item, self.most, self.pattern = item, most, pattern
        self.words = f"a table of names, each {item.words}"
        self.label = f"NAME = {item.label}"

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        """A dict of the entries that are sound; every other one is reported, and every unfit name."""
        if not isinstance(value, dict):
            return self.refuse(value, path, report, next_step=_header_hint(self, value, path))
        if len(value) > self.most:
            return _too_many(len(value), self.most, path, report)
        result = {}
        for name, entry in value.items():
            if not re.fullmatch(self.pattern, name):
                expected = "1 to 23 letters, digits, '-' or '_', a letter or digit first"
                if self.pattern != NAME_PATTERN:
                    expected = f"a name of the form {self.pattern}"
                report(
                    LayoutFault(
                        (*path, name), "name of the wrong form", found=in_toml_words(name), expected=expected
                    )
                )
            item = self.item.read(entry, (*path, name), report)
            if item is not INVALID:
                result[name] = item
        return result

    def schema(self) -> dict[str, Any]:
        """An object with any names of the right form."""
        return {
            "type": "object",
            "propertyNames": {"pattern": f"^{self.pattern}$"},
            "additionalProperties": self.item.schema(),
            "maxProperties": self.most,
        }

    def example(self, path: KeyPath) -> str:
        """A header with a place for the name where the entries are tables."""
        if isinstance(self.item, Table):
            return f"[{dotted(path)}.NAME]"
        return f"{path[-1]} = {{ NAME = ... }}"


def _header_hint(kind: ValueType, value: object, path: KeyPath) -> str:
    """The right header, for who wrote [stamp] for [[stamp]] or [[memory]] for [memory.NAME]."""
    return f"write {kind.example(path)}" if isinstance(value, dict | list) else ""


def _too_many(count: int, most: int, path: KeyPath, report: FaultReport) -> Any:
    report(LayoutFault(path, "too many entries", found=f"{count:,}", expected=f"at most {most:,}"))
    return INVALID


class Either(ValueType):
    """Any of several kinds, distinguished by the type of what was found (text, number or table).

    At most one of them takes text, one numbers; among tables the one that knows most of the keys
    is taken, so that its faults are the ones reported.
    """

    def __init__(self, *kinds: ValueType) -> None:
        self.kinds = kinds
        self.words = "; or ".join(kind.words for kind in kinds)
        self.label = " or ".join(dict.fromkeys(kind.label for kind in kinds))

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        """What the kind for this type of value reads; of all of them when none takes the type."""
        tables = [kind for kind in self.kinds if isinstance(kind, Table)]
        if isinstance(value, dict) and tables:
            return max(tables, key=lambda table: table.likeness(value)).read(value, path, report)
        hint = ""
        for kind in self.kinds:
            faults: list[LayoutFault] = []
            result = kind.read(value, path, faults.append)
            if result is not INVALID:
                return result
            hint = hint or next((fault.next_step for fault in faults if isinstance(value, str)), "")
            if faults and faults[0].what != WRONG_KIND:
                for fault in faults:
                    report(fault)
                return INVALID
        return self.refuse(value, path, report, next_step=hint)

    def schema(self) -> dict[str, Any]:
        """Any of the kinds' schemas."""
        return {"anyOf": [kind.schema() for kind in self.kinds]}


OF_OTHERS = ("format", "product", "version", "rollback")
"""Keys that say nothing of what kind a file is: a policy has some of them, too."""


class Table(ValueType):
    """A table with exactly the keys that struct ``model`` declares; read as an instance of it.

    A field named ``name`` without a declaration takes the name that the table has in its parent.
    """

    def __init__(self, model: type[Any], exactly_one: bool = False) -> None:
        self.model, self.exactly_one = model, exactly_one
        self.keys: dict[str, tuple[str, Key]] = {}
        self.takes_name = False
        for name, declared in fields(model).items():
            if isinstance(declared, Key):
                self.keys[declared.name or name] = (name, declared)
            elif name == "name":
                self.takes_name = True
        listed = ", ".join(self.keys)
        self.label = "table"
        self.words = f"a table with one of {listed}" if exactly_one else f"a table with {listed}"

    def none_known(
        self, document: dict[str, object], what: str, neither: tuple[str, ...] = ()
    ) -> LayoutFault | None:
        """The fault of a document that is another file: keys, and none of this table's.  It names none of them.

        ``neither`` are keys that files of other kinds have too, and so do not count.
        """
        counted = [name for name in document if name not in neither]
        if any(name in self.keys for name in counted):
            return None
        near = [name for name in counted if nearest_hint(name, self.keys)]
        if near and 2 * len(near) >= len(counted):
            return None
        if not counted and (not document or type(document.get("format")) is int):
            return None
        count = len(counted)
        return LayoutFault(
            (),
            f"this is not a {what}: none of its keys is one of a {what}",
            found=f"{count} other{'' if count == 1 else 's'}" if counted else "no format that is a number",
            expected=f"format = 1 and keys of a {what}",
            next_step="a layout comes before the image, a policy after --policy" if neither else "",
        )

    def likeness(self, value: dict[str, object]) -> int:
        """How many of the found keys this table knows, less those that it requires and misses."""
        known = sum(1 for name in value if name in self.keys)
        missing = sum(
            1 for name, (_, key) in self.keys.items() if key.default is REQUIRED and name not in value
        )
        return 8 * known - missing

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        """An instance of the model; every unknown, missing and unfit key is reported."""
        if not isinstance(value, dict):
            return self.refuse(value, path, report, next_step=_header_hint(self, value, path))
        sound = True
        for name in value:
            if name not in self.keys:
                sound = False
                expected, hint = "one of " + ", ".join(self.keys), nearest_hint(name, self.keys)
                report(
                    LayoutFault(
                        (*path, name), "unknown key", found=in_toml(name), expected=expected, next_step=hint
                    )
                )
        values: dict[str, Any] = {"name": str(path[-1])} if self.takes_name else {}
        for name, (attribute, key) in self.keys.items():
            if name in value:
                values[attribute] = key.kind.read(value[name], (*path, name), report)
                sound = sound and values[attribute] is not INVALID
            elif key.default is REQUIRED:
                sound = False
                hint = f"add {key.kind.example((*path, name))}"
                report(
                    LayoutFault(
                        (*path, name), "missing key", found="nothing", expected=key.kind.words, next_step=hint
                    )
                )
        if self.exactly_one and sum(name in value for name in self.keys) != 1:
            return self.refuse(value, path, report, "exactly one of the keys must be given")
        return self.model(**values) if sound else INVALID

    def schema(self) -> dict[str, Any]:
        """An object with these properties and no others."""
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

    def example(self, path: KeyPath) -> str:
        """Its header."""
        return f"[{dotted(path)}]"


def dotted(path: KeyPath) -> str:
    """``path`` as messages write it: ``checksum[0].at``, names quoted where TOML would quote them."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            bare = re.fullmatch(r"[A-Za-z0-9_-]{1,60}", step)
            text += ("." if text else "") + (step if bare else in_toml_words(step))
    return text
