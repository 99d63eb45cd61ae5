"""The JSON form: its schema, and that it says the same as the data."""

from __future__ import annotations

import json

import jsonschema
import pytest
from schemas import exported_schema
from shown_images import CASES, gauge

from gemel.show.facts.contents import FORMAT
from gemel.spans import format_address
from gemel.text.as_json import form_text


def every(value):
    """Every value inside a JSON value, itself first."""
    yield value
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from every(inner)


def test_the_schema_is_a_schema():
    """The schema is valid by its own dialect, and every part of it is described."""
    schema = exported_schema("show-schema")
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["properties"]["format"] == {"const": FORMAT}
    for definition in schema["$defs"].values():
        assert definition["description"]
        assert definition["additionalProperties"] is False


@pytest.mark.parametrize("name", CASES)
def test_every_case_follows_the_schema(name):
    """What is printed as JSON follows the published schema and is plain ASCII."""
    make, _, _ = CASES[name]
    text = form_text(FORMAT, make())
    assert text.isascii()
    jsonschema.Draft202012Validator(exported_schema("show-schema")).validate(json.loads(text))


def test_the_schema_refuses_what_is_not_printed():
    """An unknown key, a missing key and a word for an address break the schema."""
    validator = jsonschema.Draft202012Validator(exported_schema("show-schema"))
    good = json.loads(form_text(FORMAT, gauge("in-place")))
    for change in (
        lambda data: data.update(more=1),
        lambda data: data.pop("memories"),
        lambda data: data["image"]["entry"].update(value="0x10"),
        lambda data: data["records"][0].update(layout="perhaps"),
    ):
        bad = json.loads(json.dumps(good))
        change(bad)
        assert not validator.is_valid(bad)


def test_addresses_are_numbers_with_their_text():
    """Every address and every span carries the number and the text of that number."""
    data = json.loads(form_text(FORMAT, gauge("copied")))
    addresses = [each for each in every(data) if isinstance(each, dict) and set(each) == {"value", "text"}]
    spans = [
        each for each in every(data) if isinstance(each, dict) and set(each) == {"start", "size", "text"}
    ]
    assert len(addresses) > 20
    assert len(spans) > 20
    for address in addresses:
        assert address["text"] == format_address(address["value"])
    for span in spans:
        assert span["text"].startswith(format_address(span["start"]))
        assert span["text"].endswith(format_address(span["start"] + span["size"] - 1))


def test_json_tells_what_the_gauge_is():
    """A reader finds product, builds, use and verdicts under their names."""
    data = json.loads(form_text(FORMAT, gauge("in-place")))
    record = data["records"][0]
    assert (record["product"], record["version"], record["rollback"]) == ("tide-gauge", "1.4.2", 3)
    assert [build["name"] for build in data["builds"]] == ["station", "sampler"]
    assert {build["sha256_of_image"] for build in record["builds"]} == {"matches"}
    assert data["memories"][0]["areas"][0]["parts"][0]["name"] == "station"
    assert data["values"][0]["value"] == "a00a0000"
