"""The JSON Schema of the layout language, against an independent validator (jsonschema, draft 2020-12)."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, event, given, settings
from jsonschema import Draft202012Validator
from layout.readme_examples import README, completed, examples
from layout.test_reader import FAULTS
from layout.toml_values import mutated
from schemas import exported_schema
from small_device import LAYOUT

from gemel.layout.kinds import INVALID, Day, LayoutFault
from gemel.layout.model import Layout
from gemel.layout.tables import Table

SCHEMA = exported_schema("schema")
VALIDATOR = Draft202012Validator(SCHEMA)
ROOT = Path(__file__).resolve().parents[2]
LAYOUTS = sorted((ROOT / "layouts").glob("*.toml"))
TWO_BANKS = (ROOT / "layouts" / "tide-gauge-two-banks.toml").read_text(encoding="utf-8")


def as_json(value: Any) -> Any:
    """A parsed TOML document as an editor hands it to a JSON Schema: dates and times as text."""
    if isinstance(value, dict):
        return {name: as_json(each) for name, each in value.items()}
    if isinstance(value, list):
        return [as_json(each) for each in value]
    return value.isoformat() if isinstance(value, datetime.date | datetime.time) else value


def takes(document: dict[str, Any]) -> bool:
    """Whether the schema takes a parsed layout."""
    return bool(VALIDATOR.is_valid(as_json(document)))


def faults_of(document: dict[str, Any]) -> list[LayoutFault]:
    """What the reader says of keys and values."""
    faults: list[LayoutFault] = []
    layout = Table(Layout).read(document, (), faults.append)
    assert faults or layout is not INVALID
    return faults


def test_the_schema_is_a_schema() -> None:
    """It is valid draft 2020-12, and says which draft it is."""
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("path", LAYOUTS, ids=lambda path: path.stem)
def test_the_layouts_of_the_project_are_taken(path: Path) -> None:
    """Every layout in layouts/ is valid."""
    VALIDATOR.validate(as_json(tomllib.loads(path.read_text(encoding="utf-8"))))


def test_the_examples_of_the_readme_are_taken() -> None:
    """The whole layout and every sound piece of the page are valid; the piece with wrong keys is not."""
    whole, *pieces = examples(README.read_text(encoding="utf-8"))
    assert takes(tomllib.loads(whole.toml))
    for piece in pieces:
        document = tomllib.loads(completed(piece.toml, whole.toml))
        assert takes(document) == (not faults_of(document)), piece.name


@pytest.mark.parametrize(
    ("old", "new", "says"), FAULTS, ids=[new.split("\n")[0][:30] for _, new, _ in FAULTS]
)
def test_what_the_reader_refuses_of_keys_and_values_the_schema_refuses(old: str, new: str, says: str) -> None:
    """Every faulty value of the reader's table is invalid for the schema too."""
    assert says
    assert not takes(tomllib.loads(LAYOUT.replace(old, new, 1)))


def value_at(document: Any, path: tuple[str | int, ...]) -> Any:
    """The value at a path, None where there is none."""
    for step in path:
        if isinstance(document, dict):
            document = document.get(step)
        elif isinstance(document, list) and isinstance(step, int):
            document = document[step]
        else:
            return None
    return document


def beyond_a_schema(fault: LayoutFault, document: dict[str, Any]) -> bool:
    """Whether a schema cannot tell this fault, for one of five reasons."""
    value = value_at(document, fault.path)
    return (
        (isinstance(value, float) and value.is_integer())  # JSON has one kind of number
        or isinstance(value, datetime.date | datetime.time)  # JSON has no dates
        or (fault.expected == Day.words and isinstance(value, str))  # so dates are text
        or (
            fault.what in ("text of the wrong length", "size out of range") and isinstance(value, str)
        )  # bytes
        or (fault.what == "version out of range")  # ranges inside text
    )


@settings(max_examples=600, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(mutated(tomllib.loads(TWO_BANKS)))
def test_schema_and_reader_agree_on_mutated_layouts(document: dict[str, Any]) -> None:
    """A layout with one to three changes is taken by both or by none, wherever a schema can tell."""
    faults = faults_of(document)
    tellable = [fault for fault in faults if not beyond_a_schema(fault, document)]
    taken = takes(document)
    event(f"faults {bool(faults)}, tellable {bool(tellable)}")
    if not faults:
        assert taken
    if tellable:
        assert not taken, tellable


def test_every_key_of_the_schema_has_a_description() -> None:
    """An editor can show the meaning of every key."""
    seen = 0
    waiting: list[Any] = [SCHEMA]
    while waiting:
        node = waiting.pop()
        if isinstance(node, dict):
            for name, described in node.get("properties", {}).items():
                seen += 1
                assert described.get("description"), name
            waiting.extend(node.values())
        elif isinstance(node, list):
            waiting.extend(node)
    assert seen > 80
