"""The digest of a layout that the record keeps: over what the layout says, not over how it is written."""

from __future__ import annotations

import hashlib
from typing import Any

from gemel.layout.kinds import Key
from gemel.layout.model import Layout
from gemel.structs import Struct, fields

_PLAIN = frozenset(map(chr, range(0x20, 0x7F))) - {'"', "\\"}
"""Characters that JSON writes as they are."""


def digest_of(layout: Layout) -> bytes:
    """SHA-256 over the layout's keys and values as JSON with sorted keys.

    Comments, order of tables, notation of numbers and sizes, and keys written with their default value
    do not change it.  Keys that say how an image is judged or where a file is (``rules``, a build's
    ``path``) are left out, so that a new waiver does not make every image one of another layout.
    """
    return hashlib.sha256(_canonical(digested(layout)).encode()).digest()


def _canonical(value: Any) -> str:
    """JSON with sorted keys and no spaces; the standard library writes what is no plain text, number or container.

    Its import would take a hundredth of a join.
    """
    if isinstance(value, dict):
        return f"{{{','.join(f'{_canonical(name)}:{_canonical(value[name])}' for name in sorted(value))}}}"
    if isinstance(value, list):
        return f"[{','.join(map(_canonical, value))}]"
    if isinstance(value, str) and _PLAIN.issuperset(value):
        return f'"{value}"'
    if type(value) is int:
        return str(value)
    import json

    return json.dumps(value, ensure_ascii=False)


def digested(value: Any) -> Any:
    """What the digest is over, as plain data: keys as the layout file has them, those with their default left out."""
    if isinstance(value, tuple):
        return [digested(each) for each in value]
    if isinstance(value, dict):
        return {name: digested(each) for name, each in value.items()}
    if not isinstance(value, Struct):
        return value
    result = {}
    for name, key in fields(value).items():
        found = getattr(value, name)
        if isinstance(key, Key) and key.digested and found != key.default:
            result[key.name or name] = digested(found)
    return result
