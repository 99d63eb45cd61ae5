"""Which key of which token: a ``pkcs11:`` URI (RFC 7512), and nothing secret in it.

    pkcs11:token=release;object=image-2026?module-path=/usr/lib/pkcs11.so&pin-source=file:/run/pin

Of the path, ``token``, ``serial``, ``manufacturer``, ``model``, ``slot-id``, ``object``, ``id`` and
``type`` are understood; of the query, ``module-path`` and ``pin-source``.  Values are percent-encoded.
Whatever else the URI holds is refused, not passed over: a part that names the key more closely must not be
lost.  ``pin-value`` is refused because arguments are seen by others.  No problem here repeats a value that
could be a PIN.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any
from urllib.parse import quote, unquote_to_bytes

from gemel.errors import Problem
from gemel.seals.keys.keys import KeyFileError
from gemel.structs import Struct, field, fields

SCHEME = "pkcs11:"

_PATH = ("token", "serial", "manufacturer", "model", "slot-id", "object", "id", "type")
_QUERY = ("module-path", "pin-source")
_VALUE = re.compile(r"(?:[A-Za-z0-9\-._~:\[\]@!$'()*+,=&/?|]|%[0-9A-Fa-f]{2})*")
_NAME = re.compile(r"[a-z]+(-[a-z]+)*")
_NAMED = "an object by its name or id"
_WHERE = "the pkcs11 URI"


class TokenUri(Struct):
    """A key on a token; None: whatever there is.

    ``key_id`` is CKA_ID.  ``module_path`` is the PKCS#11 library, ``pin_file`` a file that holds the PIN.
    The text leaves both out, so it can stand in any output.
    """

    token: str | None = None
    serial: str | None = None
    manufacturer: str | None = None
    model: str | None = None
    slot_id: int | None = None
    label: str | None = None
    key_id: bytes | None = None
    module_path: str | None = field(default=None, repr=False)
    pin_file: str | None = field(default=None, repr=False)

    def __str__(self) -> str:
        texts = {"token": self.token, "serial": self.serial, "manufacturer": self.manufacturer}
        texts |= {"model": self.model, "object": self.label}
        parts = [f"{name}={quote(text, safe='')}" for name, text in texts.items() if text is not None]
        if self.slot_id is not None:
            parts.append(f"slot-id={self.slot_id}")
        if self.key_id is not None:
            parts.append("id=" + "".join(f"%{byte:02X}" for byte in self.key_id))
        return SCHEME + ";".join(parts)

    @property
    def token_words(self) -> str:
        """What is asked of the token, without the key."""
        chosen = {name: getattr(self, name) for name in fields(self)}
        for name in ("label", "key_id", "module_path", "pin_file"):
            chosen[name] = None
        return str(TokenUri(**chosen)) if any(value is not None for value in chosen.values()) else "any token"


def is_token_uri(text: str) -> bool:
    """Whether ``text`` is meant as a ``pkcs11:`` URI; the scheme's case does not matter (RFC 3986 3.1)."""
    return text[: len(SCHEME)].lower() == SCHEME


def parse_token_uri(text: str) -> TokenUri:
    """The key that a ``pkcs11:`` URI names.

    Raises KeyFileError with everything that is wrong with it, never with a value out of the query.
    """
    path, _, query = text[len(SCHEME) :].partition("?")
    problems: list[Problem] = []
    given = _attributes(path.split(";"), _PATH, problems)
    asked = _attributes(query.split("&"), _QUERY, problems)
    values = {**_path_values(given, problems), **_query_values(asked, problems)}
    if not problems and values.get("label") is None and values.get("key_id") is None:
        problems.append(
            Problem(
                "the URI names no key", where=_WHERE, expected=_NAMED, next_step="add object=NAME or id=%01"
            )
        )
    if problems:
        raise KeyFileError(problems)
    return TokenUri(**values)


def _attributes(parts: Iterable[str], known: tuple[str, ...], problems: list[Problem]) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    for number, part in enumerate(parts, 1):
        name, equals, value = part.partition("=")
        if not part:
            continue
        if name == "pin-value":
            problems.append(_pin_in_argument())
        elif not equals or not _NAME.fullmatch(name):
            where = f"{_WHERE}, part {number} of its {'path' if known is _PATH else 'query'}"
            problems.append(Problem("not a part of a pkcs11 URI", where=where, expected="NAME=VALUE"))
        elif name not in known:
            problems.append(_not_understood(name, known))
        elif name in found:
            problems.append(
                Problem("a part of the URI is given twice", where=_WHERE, found=name, expected=f"one {name}")
            )
        elif not _VALUE.fullmatch(value):
            step = "write a space as %20, a semicolon as %3B and so on"
            problems.append(
                Problem("a value of the URI is not percent-encoded", where=_WHERE, found=name, next_step=step)
            )
        else:
            found[name] = unquote_to_bytes(value)
    return found


def _pin_in_argument() -> Problem:
    what = "pin-value puts the PIN into an argument, where every process list and shell history shows it"
    step = "leave it out to be asked, or name a file: pin-source=file:/PATH; and change this PIN"
    return Problem(what, where=_WHERE, found="pin-value", expected="no PIN in the URI", next_step=step)


def _not_understood(name: str, known: tuple[str, ...]) -> Problem:
    other = _QUERY if known is _PATH else _PATH
    step = ""
    if name in other:
        step = f"{name} belongs {'after' if known is _PATH else 'in front of'} the '?'"
    elif name == "module-name":
        step = "give the PKCS#11 library by its whole path: module-path"
    return Problem(
        "a part of the URI that is not understood",
        where=_WHERE,
        found=name,
        expected=", ".join(known),
        next_step=step,
    )


def _path_values(given: dict[str, bytes], problems: list[Problem]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for name, value in given.items():
        if name == "id":
            values["key_id"] = value
        elif name == "type":
            if value != b"private":
                expected = "type=private, or no type"
                problems.append(
                    Problem("the URI names no private key", where=_WHERE, found="type", expected=expected)
                )
        elif name == "slot-id":
            if not (value.isdigit() and len(value) <= 20):
                problems.append(
                    Problem("not a slot's number", where=_WHERE, found=name, expected="a decimal number")
                )
            else:
                values["slot_id"] = int(value)
        else:
            values["label" if name == "object" else name] = _text(name, value, problems)
    return values


def _query_values(asked: dict[str, bytes], problems: list[Problem]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    if "module-path" in asked:
        values["module_path"] = _text("module-path", asked["module-path"], problems)
    if "pin-source" in asked:
        source = _text("pin-source", asked["pin-source"], problems)
        path = re.sub(r"^file:(//(localhost)?(?=/))?(/(?=[A-Za-z]:/))?", "", source)
        if not path or source.startswith("|") or re.match(r"[a-z][a-z0-9+.-]+:", path):
            expected = "pin-source=file:/PATH"
            problems.append(
                Problem("the PIN's source is no file", where=_WHERE, found="pin-source", expected=expected)
            )
        values["pin_file"] = path
    return values


def _text(name: str, value: bytes, problems: list[Problem]) -> str:
    try:
        text = value.decode("utf-8")
    except UnicodeDecodeError:
        text = ""
        problems.append(
            Problem(
                "a value of the URI is not UTF-8", where=_WHERE, found=name, expected="UTF-8, percent-encoded"
            )
        )
    if "\0" in text:
        problems.append(Problem("a value of the URI holds a NUL", where=_WHERE, found=name, expected="text"))
    return text
