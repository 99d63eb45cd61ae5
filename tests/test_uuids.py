"""UUIDs as the standard library's ``uuid`` reads, writes and makes them (RFC 9562)."""

from __future__ import annotations

import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.uuids import NAMESPACE_DNS, Uuid, uuid_in, uuid_of_name


@given(st.uuids())
def test_texts(value: uuid.UUID) -> None:
    """Each form of a text gives the same bytes as there, and the text comes back in its usual form."""
    for text in (str(value), value.hex, value.urn, f"{{{value}}}", str(value).upper()):
        found = uuid_in(text)
        assert found == Uuid(value.bytes) == value
        assert str(found) == str(uuid.UUID(text))


@given(st.uuids(), st.text(st.characters(exclude_categories=["Cs"])))
def test_names(space: uuid.UUID, name: str) -> None:
    """Version 5 of a name in a space is the same."""
    assert uuid_of_name(Uuid(space.bytes), name) == uuid.uuid5(space, name)


def test_the_space_of_domain_names() -> None:
    """It is that of RFC 9562 section 6.6."""
    assert uuid.NAMESPACE_DNS == NAMESPACE_DNS
    assert str(uuid_of_name(NAMESPACE_DNS, "www.example.com")) == "2ed6657d-e927-568b-95e1-2665a8aea6a2"


@pytest.mark.parametrize(
    "text", ["", "gauge", "2ed6657d-e927-568b-95e1-2665a8aea6a", "2ed6657d-e927-568b-95e1-2665a8aea6ag"]
)
def test_what_is_none(text: str) -> None:
    """Other texts are names."""
    assert uuid_in(text) is None
    with pytest.raises(ValueError, match=r"badly formed|invalid literal"):
        uuid.UUID(text)
