"""Rules that are passed over by their conditions: what they would say if they were asked is the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from tide_gauge import ROOT

from gemel.checking.conditions import ONLY_WITH, outcomes
from gemel.checking.registry import all_rules
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import read_layout
from gemel.policy.reader import NO_RECEIVER, Receiver
from gemel.structs import replace

LAYOUTS = sorted([*ROOT.glob("layouts/*.toml"), *ROOT.glob("testdata/*/*.toml")])
CONDITIONAL = [rule for rule in all_rules() if rule.only_with or rule.of_elf]


def _inspection(path: Path) -> Inspection:
    """An image without a byte, and no builds."""
    return Inspection(read_layout(path.read_bytes(), path.name), SparseBytes(), {})


@pytest.mark.parametrize("path", LAYOUTS, ids=lambda path: path.stem)
def test_a_rule_that_is_passed_over_would_say_the_same(path: Path) -> None:
    """By every layout here, for every rule with a condition."""
    inspection = _inspection(path)
    for rule in CONDITIONAL:
        assert list(outcomes(rule, inspection)) == list(rule.check(inspection)), rule.name


SEALABLE = [path for path in LAYOUTS if read_layout(path.read_bytes(), path.name).layout.seal]


@pytest.mark.parametrize("path", SEALABLE, ids=lambda path: path.stem)
@pytest.mark.parametrize(
    ("given", "receiver", "passed_over"),
    [
        ("erased", NO_RECEIVER, True),
        ("one byte at the end", NO_RECEIVER, False),
        ("erased", Receiver(trusts_keys=True), False),
    ],
)
def test_rules_on_seals_say_the_same_where_there_is_none(
    path: Path, given: str, receiver: Receiver, passed_over: bool
) -> None:
    """An erased area, one byte in it, and a receiver that asks for a seal; rules are passed over in the first alone."""
    read = read_layout(path.read_bytes(), path.name)
    layout = read.layout
    assert layout.seal
    span, erased = layout.span_of(layout.seal.area), layout.memory_of(layout.seal.area).erased_byte
    image = SparseBytes()
    if given != "erased":
        image.write(span.last, bytes([erased ^ 0xFF]))
    inspection = Inspection(read, image, {}, receiver=receiver)
    rules = [rule for rule in CONDITIONAL if rule.only_with == "seal"]
    assert len(rules) == 7
    for rule in rules:
        assert list(outcomes(rule, inspection)) == list(rule.check(inspection)), rule.name
    asked: list[Inspection] = []
    outcomes(replace(rules[0], check=asked.append), inspection)
    assert (not asked) == (passed_over and not layout.seal.required)


def test_each_condition_is_met_and_missed() -> None:
    """The layouts above show both sides of each condition, and each is some rule's."""
    layouts = [_inspection(path).layout for path in LAYOUTS]
    for name, holds in ONLY_WITH.items():
        assert {bool(holds(layout)) for layout in layouts} == {True, False}, name
    assert {rule.only_with for rule in CONDITIONAL} - {""} == set(ONLY_WITH)
