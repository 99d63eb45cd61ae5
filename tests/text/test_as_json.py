"""Data classes as JSON: what is written keeps to the schema that the same classes give."""

from __future__ import annotations

import datetime
import json
from dataclasses import dataclass
from typing import Annotated, Literal, NamedTuple

import jsonschema
from hypothesis import given
from hypothesis import strategies as st

from gemel.spans import Address, Span
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text, schema_of


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
