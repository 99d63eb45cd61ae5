"""The digest of a layout that the record keeps: over what the layout says, not over how it is written."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from typing import Any

from gemel.layout.model import Layout


def digest_of(layout: Layout) -> bytes:
    """SHA-256 over the layout's keys and values as JSON with sorted keys.

    Comments, order of tables, notation of numbers and sizes, and keys written with their default value
    do not change it.  Keys that say how an image is judged or where a file lies (``rules``, a build's
    ``path``) are left out, so that a new waiver does not make every image one of another layout.
    """
    canonical = json.dumps(_plain(layout), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(canonical.encode()).digest()


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items()}
    if not dataclasses.is_dataclass(value):
        return value
    result = {}
    for field in dataclasses.fields(value):
        key = field.metadata.get("key")
        found = getattr(value, field.name)
        if key and key.digested and found != key.default:
            result[key.name or field.name] = _plain(found)
    return result
