"""In which tables two layouts differ, of what their digests are over."""

from __future__ import annotations

from typing import Any

from gemel.layout.digest import digested
from gemel.layout.reader import ReadLayout


def differing_tables(first: ReadLayout, second: ReadLayout) -> list[str]:
    """``[area.sampler-code]: size``: each table in which they differ, with the keys, in the order of the names."""
    ours, theirs = (_tables(digested(each.layout)) for each in (first, second))
    lines = []
    for name in sorted({*ours, *theirs}):
        here, there = ours.get(name), theirs.get(name)
        if here == there:
            continue
        if here is None or there is None:
            lines.append(f"[{name}]: only in {(second if here is None else first).name}")
            continue
        keys = [key for key in {**here, **there} if here.get(key) != there.get(key)]
        lines.append(f"[{name}]: {', '.join(keys)}" if name else f"{', '.join(keys)}")
    return lines


def _tables(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The tables by name: ``area.NAME``; ``seal``; "" for keys above all tables; arrays of tables by their names."""
    tables: dict[str, dict[str, Any]] = {}
    for key, value in document.items():
        if isinstance(value, list) and value and all(isinstance(each, dict) for each in value):
            value = {str(each.get("name", at)): each for at, each in enumerate(value)}
        if not isinstance(value, dict):
            tables.setdefault("", {})[key] = value
        elif value and all(isinstance(each, dict) for each in value.values()):
            tables |= {f"{key}.{name}": each for name, each in value.items()}
        else:
            tables[key] = value
    return tables
