"""The kinds of value a layout key can take: how each is read, named in words and written as JSON Schema.

A kind turns what the TOML parser gave into the model's value, or says what it expected instead.  The kinds
that hold others are in ``tables``.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from typing import Any, ClassVar

from gemel.errors import Problem, nearest_hint
from gemel.spans import format_address
from gemel.structs import KW_ONLY, MISSING, Field, Struct
from gemel.text.escaping import in_toml

KeyPath = tuple[str | int, ...]
"""Where a value stands in the file: keys and list positions, as ("checksum", 0, "width")."""


class LayoutFault(Struct):
    """One value that is not what its key takes; the reader adds file and line."""

    path: KeyPath
    what: str
    _: KW_ONLY
    found: str
    expected: str
    next_step: str = ""

    @classmethod
    def of(cls, problem: Problem, path: KeyPath) -> LayoutFault:
        """A problem of the value at ``path``."""
        parts = {"found": problem.found, "expected": problem.expected, "next_step": problem.next_step}
        return cls(path, problem.what, **parts)


FaultReport = Callable[[LayoutFault], None]
INVALID: Any = object()
"""Returned by `ValueType.read` for a value it has reported; never enters the model."""


WRONG_KIND = "value of the wrong kind"


def in_toml_words(value: object, longest: int = 60) -> str:
    """A found value as the file would write it, with its type where that matters; text is cut to ``longest``."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return _number_words(value)
    if isinstance(value, dict):
        names = [in_toml(str(name), 24) for name in list(value)[:6]]
        more = ", ..." if len(value) > 6 else ""
        return f"a table with {', '.join(names) or 'no keys'}{more}"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, str):
        return f'"{in_toml(value, longest)}"'
    return str(value)


def _number_words(value: int) -> str:
    """Decimal, with the address it would be from 0x1_0000 on; of numbers beyond 64 bits only the size."""
    if value.bit_length() > 64:
        return f"a number of {value.bit_length():,} bits"
    return f"{value} ({format_address(value)})" if value > 0xFFFF else str(value)


class ValueType:
    """Base of all kinds.  `words` completes "expected ..."; `read` reports faults and never raises.

    ``label`` names the kind in a word or two, for the reference of the language; ``hexadecimal`` shows that
    its numbers are written so.
    """

    words = "a value"
    label = "value"
    hexadecimal = False

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        """The model's value for ``value``, or INVALID after reporting what is wrong with it."""
        raise NotImplementedError

    def schema(self) -> dict[str, Any]:
        """The JSON Schema (draft 2020-12) of the values this kind takes, for TOML read as JSON."""
        raise NotImplementedError

    def example(self, path: KeyPath) -> str:
        """How the key at ``path`` is written into the file, for who left it out."""
        return f"{path[-1]} = ..."

    def refuse(
        self, value: object, path: KeyPath, report: FaultReport, what: str = WRONG_KIND, next_step: str = ""
    ) -> Any:
        """Report that ``value`` is not of this kind."""
        report(LayoutFault(path, what, found=in_toml_words(value), expected=self.words, next_step=next_step))
        return INVALID


class Integer(ValueType):
    """A whole number from ``low`` to ``high``, both included."""

    def __init__(self, low: int, high: int) -> None:
        self.low, self.high = low, high
        top = format_address(high) if high > 0xFFFF and not high & high + 1 else f"{high:_}"
        self.words = f"a whole number from {low} to {top}"
        self.label = f"number {low}..{top}"

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        if isinstance(value, bool) or not isinstance(value, int):
            return self.refuse(value, path, report, next_step=_quoted_number_hint(value))
        if not self.low <= value <= self.high:
            return self.refuse(value, path, report, "number out of range")
        return value

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


class Byte(Integer):
    """The value of one byte."""

    hexadecimal = True

    def __init__(self) -> None:
        super().__init__(0, 0xFF)


class Address(Integer):
    """A 32-bit address."""

    hexadecimal = True

    def __init__(self) -> None:
        super().__init__(0, 0xFFFF_FFFF)
        self.words = "an address, 0x0000_0000 to 0xFFFF_FFFF"
        self.label = "address"


class Word(Integer):
    """What a 32-bit register or word of memory holds: a value, or a mask of its bits."""

    hexadecimal = True

    def __init__(self) -> None:
        super().__init__(0, 0xFFFF_FFFF)
        self.words = "a 32-bit value, 0x0000_0000 to 0xFFFF_FFFF"
        self.label = "32-bit value"


def _quoted_number_hint(value: object) -> str:
    """What to do with a number that stands in quotes; empty for anything else."""
    if isinstance(value, str) and re.fullmatch(
        r"0x[0-9A-Fa-f](_?[0-9A-Fa-f]){0,15}|[0-9](_?[0-9]){0,19}", value
    ):
        return f"write it without quotes: {value}"
    return ""


class Size(ValueType):
    """A number of bytes: a whole number, or text with B, KiB, MiB or GiB; ``low`` is the smallest."""

    pattern = r"[ \t]*([0-9][0-9_]{0,15})[ \t]*(B|KiB|MiB|GiB)[ \t]*"
    label = "size"
    units: ClassVar = {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30}

    def __init__(self, low: int = 1) -> None:
        self.low = low
        self.words = (
            f'a size of {low} to 4 GiB: bytes as a number, or text such as "4 KiB" (B, KiB, MiB, GiB)'
        )

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        size: int | None = None
        if isinstance(value, int) and not isinstance(value, bool):
            size = value
        elif isinstance(value, str) and (match := re.fullmatch(self.pattern, value)):
            size = int(match[1].replace("_", "")) * self.units[match[2]]
        if size is None:
            return self.refuse(value, path, report, next_step=_unit_hint(value) or _quoted_number_hint(value))
        if not self.low <= size <= 1 << 32:
            return self.refuse(value, path, report, "size out of range")
        return size

    def schema(self) -> dict[str, Any]:
        return {
            "oneOf": [
                {"type": "integer", "minimum": self.low, "maximum": 1 << 32},
                {"type": "string", "pattern": f"^{self.pattern}$"},
            ]
        }


def _unit_hint(value: object) -> str:
    """The unit that a size was meant in, for ``"4 KB"``, ``"4K"`` and the like."""
    other = re.fullmatch(r"\s*([0-9_]+)\s*([KMG])i?B?\s*", value, re.I) if isinstance(value, str) else None
    return f'did you mean "{other[1]} {other[2].upper()}iB"?' if other else ""


_FLAGS = {"true": "true", "yes": "true", "on": "true", "false": "false", "no": "false", "off": "false"}


class Flag(ValueType):
    """true or false."""

    words = label = "true or false"

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        if isinstance(value, bool):
            return value
        meant = _FLAGS.get(value.lower(), "") if isinstance(value, str) else ""
        return self.refuse(value, path, report, next_step=f"write {meant}, without quotes" if meant else "")

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


class Always(ValueType):
    """The one value ``value``, written to say that a choice is meant."""

    def __init__(self, value: bool | int) -> None:
        self.value = value
        self.words = self.label = in_toml_words(value)

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        same = type(value) is type(self.value) and value == self.value
        return value if same else self.refuse(value, path, report)

    def example(self, path: KeyPath) -> str:
        return f"{path[-1]} = {self.words}"

    def schema(self) -> dict[str, Any]:
        return {"const": self.value}


NO_CONTROL = r"[^\x00-\x1f\x7f-\x9f]*"
"""Text on one line, as the record and a terminal can show it."""


class Text(ValueType):
    """Text of 1 to ``most`` bytes of UTF-8, matching ``pattern`` (whole); an empty pattern allows everything.

    ``words`` names the form that the pattern requires.
    """

    def __init__(
        self, most: int = 4096, pattern: str = NO_CONTROL, words: str = "", label: str = "text"
    ) -> None:
        self.most, self.pattern, self.label = most, pattern, label
        form = " without control characters" if pattern == NO_CONTROL else ""
        self.words = words or f"text of 1 to {most} bytes{form}"

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
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


_UUID = r"(?:[uU][rR][nN]:[uU][uU][iI][dD]:)?\{?(?:-*[0-9A-Fa-f]){32}-*\}?"
_DOMAIN = r"(?![0-9A-Fa-f-]{20,}$)[^\x00-,/:-@\[-^`{-\xa0]+"

VENDOR = Text(
    253, f"{_UUID}|{_DOMAIN}", "a domain name, such as example.com, or a UUID of 32 hexadecimal digits"
)
"""A UUID, or a domain name: no text with spaces, no URL, and no UUID with a digit too few or too many."""


def nearest_version(text: str) -> str:
    """``1.2.0`` for ``1.2``, ``v1.2`` and the like; empty where nothing is near."""
    short = re.fullmatch(r"[vV]?([0-9]{1,4}(?:\.[0-9]{1,4}){0,2})", text)
    return ".".join([*short[1].split("."), "0", "0"][:3]) if short else ""


class VersionText(ValueType):
    """A version as text; its parts are held to the ranges that the record has for them."""

    words = 'a version "X.Y.Z", at most "65535.65535.4294967295"'
    label = "version"
    pattern = r"([0-9]{1,5})\.([0-9]{1,5})\.([0-9]{1,10})"
    limits = (0xFFFF, 0xFFFF, 0xFFFF_FFFF)

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        match = re.fullmatch(self.pattern, value) if isinstance(value, str) else None
        if not match:
            near = nearest_version(str(value))
            what = "text of the wrong form" if isinstance(value, str) else WRONG_KIND
            return self.refuse(value, path, report, what, next_step=f'write "{near}"' if near else "")
        if any(int(part) > limit for part, limit in zip(match.groups(), self.limits, strict=True)):
            return self.refuse(value, path, report, "version out of range")
        return value

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^{self.pattern}$"}


class Choice(ValueType):
    """One of a few words; ``step`` is what to do about a word that is near none of them."""

    def __init__(self, *options: str, step: str = "") -> None:
        self.options = options
        self.step = step
        self.words = "one of " + ", ".join(f'"{option}"' for option in options)
        self.label = " | ".join(f'"{option}"' for option in options)

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        if isinstance(value, str) and value in self.options:
            return value
        hint = ""
        if isinstance(value, str):
            hint = nearest_hint(value, self.options) or self.step
        report(
            LayoutFault(
                path, "unknown value", found=in_toml_words(value), expected=self.words, next_step=hint
            )
        )
        return INVALID

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.options)}


class Day(ValueType):
    """A date, written bare: 2027-06-30."""

    words = "a date, written without quotes: 2027-06-30"
    label = "date"

    def read(self, value: object, path: KeyPath, report: FaultReport) -> Any:
        if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
            return value
        quoted = isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value)
        return self.refuse(
            value, path, report, next_step=f"write it without quotes: {value}" if quoted else ""
        )

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "date"}


REQUIRED = MISSING


class Key(Field):
    """What a field of the model says about its key: kind, one-line meaning, default and TOML name.

    ``digested`` is false where the value does not enter the layout's digest.
    """

    __slots__ = ("digested", "kind", "meaning", "name")

    def __init__(self, kind: ValueType, meaning: str, default: Any, name: str, digested: bool) -> None:
        super().__init__(default, dict if isinstance(default, dict) else None)
        self.kind, self.meaning, self.name, self.digested = kind, meaning, name, digested


def key(
    kind: ValueType, meaning: str, default: Any = REQUIRED, name: str = "", *, digested: bool = True
) -> Any:
    """Declare a field of a struct as a key of its table; without ``default`` the key is required."""
    return Key(kind, meaning, default, name, digested)
