"""Waivers of rules that do not exist are faults of the layout, told when it is read."""

from __future__ import annotations

import pytest
from check.rule_fixtures import waiver, waiving
from small_device import layout

from gemel.check.registry import all_rules
from gemel.check.waivers import rule_names, waiver_faults
from gemel.errors import LayoutError
from gemel.layout.reader import read_layout


def test_names_are_those_of_the_registry() -> None:
    """The names that are known without loading a rule are the rules' own."""
    assert rule_names() == [rule.name for rule in all_rules()]


def test_waivers_of_known_rules_are_sound() -> None:
    """A layout without waivers, or with waivers of rules that exist, has no fault."""
    assert list(waiver_faults(layout().layout)) == []
    assert list(waiver_faults(waiving(waiver("erase-blocks-apart"), waiver("record-sound")).layout)) == []


@pytest.mark.parametrize(
    ("name", "hint"),
    [("erase-block-apart", 'did you mean "erase-blocks-apart"?'), ("zzz", "gemel explain lists all rules")],
)
def test_a_waiver_of_no_rule(name: str, hint: str) -> None:
    """An unknown name is told with its line and the nearest one there is."""
    text = waiving(waiver("record-sound"), waiver(name)).text
    with pytest.raises(LayoutError) as caught:
        read_layout(text.encode(), "small.toml", [waiver_faults])
    (problem,) = caught.value.problems
    assert problem.found == name
    assert problem.next_step == hint
    assert problem.what.startswith("no rule of this name: rules.waive")
    line = text.splitlines()[int(problem.where.split(":")[1]) - 1]
    assert name in line
