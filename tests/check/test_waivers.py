"""Waivers of rules that do not exist are faults of the layout, told when it is read."""

from __future__ import annotations

import pytest
from check.make_renderings import RENDERINGS
from check.rule_fixtures import waiver, waiving
from small_device import layout

from gemel.checking.registry import all_rules
from gemel.checking.rule_changes import OTHER_PARTIES, OWN_PARTIES, party_names, rule_names, waiver_faults
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
    ("where", "hint"),
    [
        ("samplerr", 'did you mean "sampler"?'),
        ("station-cod", 'did you mean "station-code"?'),
        ("zzz", "name one of the parties that the finding ends with"),
    ],
)
def test_a_waiver_for_no_place(where: str, hint: str) -> None:
    """A misspelt place, which would cover nothing for ever, is told with its line and the nearest name."""
    text = waiving(waiver("record-sound", "record"), waiver("erase-blocks-apart", where)).text
    with pytest.raises(LayoutError) as caught:
        read_layout(text.encode(), "small.toml", [waiver_faults])
    (problem,) = caught.value.problems
    assert (problem.found, problem.next_step) == (where, hint)
    assert problem.what.startswith("unknown area, build, core, memory, contract, stamp or checksum")
    assert where in text.splitlines()[int(problem.where.split(":")[1]) - 1]


def test_every_party_of_a_stored_finding_can_be_waived() -> None:
    """What the renderings of all rules name as parties are names of a table, or known by themselves."""
    named = {
        party.strip()
        for path in RENDERINGS.glob("*.txt")
        if path.stem not in OWN_PARTIES
        for line in path.read_text(encoding="utf-8").splitlines()
        if line.startswith("  parties  ")
        for party in line.removeprefix("  parties  ").split(",")
    }
    plain = {name for name in named if " " in name or name in OTHER_PARTIES}
    assert plain <= {*OTHER_PARTIES, *party_names(layout().layout)}
    assert {"rest", "layout", "version", "rollback", "vendor id"} <= plain
    assert {"station", "station-crc", "station-length", "link", "flash"} <= set(party_names(layout().layout))


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
    assert problem.what.startswith("unknown rule: rules.waive")
    line = text.splitlines()[int(problem.where.split(":")[1]) - 1]
    assert name in line
