"""Values as a TOML parser gives them, and faulty variants of parsed layouts, for property tests."""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import strategies as st

SCALARS: st.SearchStrategy[Any] = st.one_of(
    st.booleans(),
    st.integers(-3, 70),
    st.sampled_from([1 << 31, (1 << 32) - 1, 1 << 32, (1 << 63) - 1, 1 << 64, -(1 << 63), 1 << 14_000]),
    st.floats(),
    st.text(max_size=12),
    st.sampled_from(["flash", "4 KiB", "station", "station-code", "1.2.3", "armv6-m", "code", "x" * 5000]),
    st.dates(),
    st.datetimes(),
    st.times(),
)

VALUES: st.SearchStrategy[Any] = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(
            st.one_of(
                st.text(max_size=8),
                st.sampled_from(["build", "area", "symbol", "offset", "start", "size", "name", "__proto__"]),
            ),
            inner,
            max_size=4,
        ),
    ),
    max_leaves=8,
)


def places_in(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every path of a parsed document, tables and lists among them."""
    steps: Any = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    return [found for step, inner in steps for found in [(*path, step), *places_in(inner, (*path, step))]]


@st.composite
def mutated(draw: st.DrawFn, document: dict[str, Any]) -> dict[str, Any]:
    """``document`` with one to three values replaced, removed, renamed, doubled or put elsewhere."""
    result = copy.deepcopy(document)
    for _ in range(draw(st.integers(1, 3))):
        places = places_in(result)
        path = draw(st.sampled_from(places))
        parent: Any = result
        for step in path[:-1]:
            parent = parent[step]
        step = path[-1]
        deed = draw(st.sampled_from(["replace", "replace", "remove", "rename", "double", "borrow"]))
        if deed == "replace":
            parent[step] = draw(VALUES)
        elif deed == "remove":
            del parent[step]
        elif deed == "borrow":
            other: Any = result
            for inner in draw(st.sampled_from(places)):
                other = other[inner]
            parent[step] = copy.deepcopy(other)
        elif isinstance(parent, dict):
            new = draw(
                st.one_of(st.text(max_size=6), st.sampled_from([f"{step}s", str(step).upper(), "size"]))
            )
            parent[new] = parent.pop(step) if deed == "rename" else copy.deepcopy(parent[step])
        else:
            parent.append(copy.deepcopy(parent[step]))
    return result
