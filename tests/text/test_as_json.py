"""Data classes as JSON: what is written keeps to the schema that the same classes give."""

from __future__ import annotations

import datetime
import json
from dataclasses import dataclass
from typing import Annotated, Literal, NamedTuple

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.spans import Address, Span
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text, schema_of, value_of


class Inner(NamedTuple):
    """A named tuple is an object, not a list."""

    name: str


@dataclass(frozen=True)
class Plain:
    """A data class of the standard library is an object too."""

    number: int


class Everything(Struct):
    """A field of every type."""

    from_: Annotated[Address, "a word of Python"]
    span: Span | None
    data: bytes
    day: datetime.date
    several: tuple[Inner, ...]
    counts: dict[Literal["holds", "not checked"], int]
    texts: dict[str, str]
    share: float
    sure: bool
    word: Literal["a", None]
    plain: Plain


ADDRESSES = st.integers(0, 0xFFFF_FFFF)
EVERYTHING = st.builds(
    Everything,
    ADDRESSES.map(Address),
    st.none() | st.builds(Span, ADDRESSES, st.integers(1, 1 << 20)),
    st.binary(),
    st.dates(),
    st.lists(st.builds(Inner, st.text())).map(tuple),
    st.fixed_dictionaries({"holds": ADDRESSES, "not checked": ADDRESSES}),
    st.dictionaries(st.text(), st.text(st.characters())),
    st.floats(0, 100),
    st.booleans(),
    st.sampled_from(["a", None]),
    st.builds(Plain, ADDRESSES),
)
SCHEMA = schema_of(Everything, "everything")


@given(EVERYTHING)
def test_data_keeps_to_its_schema(value: Everything) -> None:
    """An independent validator takes what is written, and the text is ASCII and is read back as the data."""
    data = data_of(value)
    text = json_text(data)
    assert text.isascii()
    assert text.endswith("}\n")
    assert json.loads(text) == data
    validator = jsonschema.Draft202012Validator(SCHEMA, format_checker=jsonschema.FormatChecker())
    validator.validate(data)


def test_the_schema_says_what_the_class_says() -> None:
    """Names, meanings and literal keys come from the declarations; unknown keys are refused."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["properties"]["from"] == {"$ref": "#/$defs/Address", "description": "a word of Python"}
    assert SCHEMA["properties"]["counts"]["required"] == ["holds", "not checked"]
    assert SCHEMA["additionalProperties"] is SCHEMA["$defs"]["Inner"]["additionalProperties"] is False
    assert set(SCHEMA["$defs"]) == {"Address", "Inner", "Plain", "Span"}


class Readable(Struct):
    """Fields of types that are read back."""

    format: Literal[1]
    inner: tuple[Inner, ...]
    pair: tuple[int, str]
    counts: dict[str, int]
    from_: str | None = None


READABLE = Readable(1, (Inner("a"), Inner("b")), (2, "c"), {"d": 3})


def test_a_value_is_read_back() -> None:
    """What was written is read as the same; a field with a default may be missing."""
    data = json.loads(json_text(data_of(READABLE)))
    assert value_of(Readable, data) == READABLE
    del data["from"]
    assert value_of(Readable, data) == READABLE


@pytest.mark.parametrize(
    "other",
    [
        {"format": True},
        {"format": 1.0},
        {"format": 2},
        {"format": [1]},
        {"inner": [{"name": 1}]},
        {"inner": [{}]},
        {"inner": "ab"},
        {"pair": [2]},
        {"pair": [True, "c"]},
        {"counts": {"d": "3"}},
        {"counts": [3]},
        {"from": 0},
        {"other": 0},
    ],
)
def test_other_data_is_refused(other: dict[str, object]) -> None:
    """Values that are equal to one of a literal, but of another type, are none of it either."""
    with pytest.raises(ValueError, match=r"type or value|other keys|missing|shorter"):
        value_of(Readable, {**data_of(READABLE), **other})
