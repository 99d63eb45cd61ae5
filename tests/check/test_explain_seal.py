"""``gemel explain seal`` and the seal's rules in ``gemel explain``."""

from __future__ import annotations

import re

import pytest

from gemel.cli.main import exit_code
from gemel.layout.model import SealPlan
from gemel.layout.tables import Table
from gemel.seals.demands import SEAL_RULES
from gemel.seals.keys.algorithms import ALGORITHMS, Registration
from gemel.seals.page import page
from gemel.seals.seal import seal_size

MARKS = {"": Registration.READ, "*": Registration.EXAMPLES, "**": Registration.RFC_9964}


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """How ``gemel explain`` ended, and what it printed."""
    code = exit_code(["explain", *words])
    return code, *capsys.readouterr()


def test_the_page_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """The topic prints the page of the seal, nothing before it and nothing behind."""
    assert said(capsys, "seal") == (0, page(), "")


def test_the_pages_table_is_the_registry(capsys: pytest.CaptureFixture[str]) -> None:
    """Every algorithm stands in the table once, in order, with the registry's numbers and their evidence."""
    _, text, _ = said(capsys, "seal")
    table = text[text.index("same bytes\nname") :].split("\n\n")[0].splitlines()[2:]
    rows = [re.split(r"\s+", line) for line in table]
    assert rows == [
        [
            each.name,
            f"{each.cose_id}{next(mark for mark, kind in MARKS.items() if kind is each.evidence)}",
            each.cose_name,
            f"{each.public_key_size:,}",
            f"{each.signature_size:,}",
            f"{seal_size([each]):,}",
            "yes" if each.same_bytes else "no",
        ]
        for each in ALGORITHMS
    ]
    for each in ALGORITHMS:
        assert f"\n{each.name:<14}  {each.source}\n" in text


def test_the_page_names_every_key_of_the_layout(capsys: pytest.CaptureFixture[str]) -> None:
    """What [seal] takes in a layout stands on the page too."""
    _, text, _ = said(capsys, "seal")
    part = text[text.index("What a layout demands") : text.index("What a seal promises")]
    assert re.findall(r"^    (\w+) = ", part, re.MULTILINE) == list(Table(SealPlan).keys)


def test_the_rules_are_listed_and_the_topic_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a topic every rule about the seal is listed, and where the format is explained."""
    _, text, _ = said(capsys)
    assert len(re.findall(rf"^ +{SEAL_RULES}[a-z-]+ +error ", text, re.MULTILINE)) == 7
    assert re.search(r"^ +rollback-not-lower +error ", text, re.MULTILINE)
    assert re.search(r"`record`, `seal`, `layout`, .* are pages", " ".join(text.split()))


@pytest.mark.parametrize("topic", ["seals", "saal"])
def test_a_topic_nearly_right_is_told(capsys: pytest.CaptureFixture[str], topic: str) -> None:
    """A slip of the pen gets the right word."""
    code, _, errors = said(capsys, topic)
    assert code == 2
    assert 'did you mean "seal"?' in errors
