"""What a script passes to a public function, compared with the function's annotations before anything is done.

Bytes in place of a path, None in place of a layout or a text in place of a list of texts is an error that says
which argument it is.  Annotations are texts here; a name in one that is none of KNOWN is not looked into.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import wraps
from itertools import zip_longest
from types import FunctionType
from typing import Any

from gemel.errors import Problem, UsageProblem

CLASSES = {
    "str",
    "int",
    "bool",
    "bytes",
    "Build",
    "Image",
    "PublicKey",
    "ReadLayout",
    "ReadPolicy",
    "Rehearsal",
}
CLASSES |= {"Released", "ReleaseRequest", "Trust", "Version"}
PROTOCOLS = {"Signer": "algorithm", "SignerSource": "known_algorithms"}
"""What is known by an attribute, and that."""

KNOWN = CLASSES | {"None", "Path", "Mapping", "Sequence", "Iterable", *PROTOCOLS}

MAX_BITS = 64
"""Of a whole number: addresses, counters and budgets have less."""


def checked(function: FunctionType) -> Callable[..., Any]:
    """``function`` with its arguments compared first: raises UsageProblem with all that are of another kind."""
    code, kinds = function.__code__, function.__annotations__
    first = code.co_varnames[: code.co_argcount]
    rest = code.co_varnames[code.co_argcount + code.co_kwonlyargcount :][:1]

    @wraps(function)
    def called(*args: Any, **options: Any) -> Any:
        names = zip_longest(first[: len(args)], args, fillvalue=rest[0] if rest else "")
        given = [*((name, value) for name, value in names), *options.items()]
        problems = [
            Problem(
                "an argument of another kind",
                where=f"gemel.{function.__name__}, {name}",
                found=f"{type(value).__name__} {_shown(value)}",
                expected=kinds[name],
            )
            for name, value in given
            if name in kinds and not fits(value, kinds[name])
        ]
        if problems:
            raise UsageProblem(problems)
        return function(*args, **options)

    return called


def fits(value: object, annotation: str) -> bool:
    """Whether ``value`` is of one of the kinds in an annotation, or one of these is none of KNOWN."""
    kinds = list(_parted(annotation, "|"))
    if any(kind.partition("[")[0] not in KNOWN for kind in kinds):
        return True
    return any(_is(value, *kind.removesuffix("]").partition("[")[::2]) for kind in kinds)


def _is(value: object, kind: str, inner: str) -> bool:
    if kind == "None":
        return value is None
    if kind == "Mapping":
        key, _, item = inner.partition(", ")
        return isinstance(value, Mapping) and all(
            fits(each, key) and fits(value[each], item) for each in value
        )
    if kind in ("Sequence", "Iterable"):
        if not isinstance(value, Iterable) or isinstance(value, (str, bytes, os.PathLike, Mapping)):
            return False
        return not isinstance(value, (list, tuple)) or all(fits(each, inner) for each in value)
    if kind == "Path" or isinstance(value, str):
        return (isinstance(value, os.PathLike) if kind == "Path" else kind == "str") and _is_path(value)
    if kind in PROTOCOLS:
        return hasattr(value, PROTOCOLS[kind])
    if isinstance(value, bool):
        return kind == "bool"
    if kind == "int":
        return isinstance(value, int) and value.bit_length() <= MAX_BITS
    return kind in {each.__name__ for each in type(value).__mro__}


def _shown(value: object) -> str:
    """The beginning of a value as Python writes it; Python writes no number of thousands of digits."""
    large = isinstance(value, int) and value.bit_length() > MAX_BITS
    return f"of more than {MAX_BITS} bits" if large else f"{value!r:.60}"


def _is_path(value: Any) -> bool:
    """Whether the system has a name for a text or path."""
    try:
        return isinstance(os.fspath(value), str) and b"\0" not in os.fsencode(value)
    except UnicodeEncodeError:
        return False


def _parted(text: str, sign: str) -> Iterator[str]:
    """The parts of ``text`` between signs that are in no bracket."""
    depth, part = 0, ""
    for char in text:
        depth += (char == "[") - (char == "]")
        if char == sign and depth == 0:
            yield part.strip()
            part = ""
        else:
            part += char
    yield part.strip()
