"""The rules about contracts on builds whose debug information is wrong, or says what compilers seldom say."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from check.rules.test_shared_data_attributes_agree import saying
from contract_builds import C_TYPES, side
from contract_fixtures import checked, contract
from dwarf_writer import Entry, basic, debug_elf, member, record
from elf_writer import SymbolSpec
from hypothesis import given, settings
from small_device import LINK, RAM_OF_SAMPLER, apply, build, findings
from strategies import mutated_debug_files

from gemel.builds.build import Build
from gemel.builds.dwarf.constants import At, Form, Tag
from gemel.structs import replace

RULES = (
    "contract-types-agree",
    "contract-symbols-agree",
    "contract-constants-equal",
    "shared-symbols-agree",
    "shared-data-attributes-agree",
    "shared-areas-initialised-by-one",
)
EVERYTHING = contract(
    "types = [" + ", ".join(f"'{name}'" for name in C_TYPES) + "]",
    'symbols = ["link_nodes"]',
    'constants = ["LINK_DEPTH", "link_version", "LINK_FALLING"]',
    "follow_pointers = true",
)
LINK_OF = {"station": LINK, "sampler": RAM_OF_SAMPLER + 0x3000}


@settings(max_examples=60, deadline=None)
@given(mutated_debug_files())
def test_no_rule_fails_on_mutated_debug_information(case: tuple[bytes, bool]) -> None:
    """Every rule ends with outcomes, whatever bytes of the debug sections were changed."""
    data, _ = case
    station = build("station", data)
    for name in RULES:
        changed = saying(station, tag26=2) if name == "shared-data-attributes-agree" else station
        result = checked(name, EVERYTHING, changed, side("sampler", "sampler"))
        assert result.holds or result.findings or result.not_checked or result.not_applicable


def with_shared(name: str, *entries: Entry, of: Entry, objects: Sequence[str] = ("link_thing",)) -> Build:
    """A build with one object of 4 bytes in the shared area, whose type is ``of``."""
    variables = [Entry(Tag.VARIABLE, {At.NAME: each, At.TYPE: of}) for each in objects]
    symbols = [SymbolSpec(each, LINK_OF[name], 4, "object") for each in objects]
    return build(name, debug_elf(*entries, of, *variables, symbols=symbols))


def _half() -> Entry:
    return basic("_Float16", 2, 4)


def test_half_precision_is_told_where_it_is_shared() -> None:
    """Types do not tell the two 16-bit formats apart: the attributes decide where such a number is shared."""
    half = _half()
    inside = [half], [record("thing", 4, member("level", half))]
    for entries, broken in (((inside[0], inside[1][0]), True), (([], basic()), False)):
        sides = [with_shared(name, *entries[0], of=entries[1]) for name in ("station", "sampler")]
        result = checked(
            "shared-data-attributes-agree", contract(""), saying(sides[0], tag38=1), saying(sides[1], tag38=2)
        )
        assert bool(findings(result)) is broken
        if not broken:
            assert "every type that they share is compared exactly" in result.holds[0].where


def _enumeration() -> Entry:
    return Entry(
        Tag.ENUMERATION_TYPE,
        {At.NAME: "trend", At.BYTE_SIZE: 1},
        [Entry(Tag.ENUMERATOR, {At.NAME: "STEADY", At.CONST_VALUE: 0})],
    )


@pytest.mark.parametrize("described", ["station", "sampler"])
@pytest.mark.parametrize(
    ("tag", "special", "broken"),
    [
        (26, _enumeration, True),
        (26, lambda: basic("unsigned char", 1), False),
        (26, lambda: basic("long long", 8), False),
        (24, lambda: basic("long long", 8), True),
        (24, lambda: basic("double", 8, 4), True),
        (24, _enumeration, False),
        (38, _half, True),
        (38, lambda: basic("unsigned short", 2), False),
        (18, lambda: basic("unsigned char", 1), True),
    ],
)
def test_what_one_build_describes_decides_for_both(described: str, tag: int, special, broken: bool) -> None:
    """A convention about data that is not shared, as one build alone describes it, keeps no one from sharing."""
    inner = special()
    thing = record("thing", 4, member("level", inner))
    sides = [with_shared(name, inner, of=thing) for name in ("station", "sampler")]
    sides = [each if each.name == described else replace(each, debug=None) for each in sides]
    values = (2, 4) if tag == 18 else (1, 2)
    told = [saying(each, **{f"tag{tag}": value}) for each, value in zip(sides, values, strict=True)]
    result = checked("shared-data-attributes-agree", contract(""), *told)
    assert bool(findings(result)) is broken
    if not broken:
        assert "nothing that they share is such data" in result.holds[0].where


def _circle() -> tuple[Entry, Entry]:
    one = Entry(Tag.TYPEDEF, {At.NAME: "thing_t", At.TYPE: (Form.REF4, 0)})
    two = Entry(Tag.TYPEDEF, {At.NAME: "other_t", At.TYPE: one})
    one.attributes = {At.NAME: "thing_t", At.TYPE: two}
    return two, one


@pytest.mark.parametrize("rule", ["contract-types-agree", "shared-symbols-agree"])
def test_types_in_circles_are_not_checked(rule: str) -> None:
    """A type that never ends is told as what kept the rule from being applied."""
    sides = []
    for name in ("station", "sampler"):
        two, one = _circle()
        sides.append(with_shared(name, two, of=one))
    read = contract('types = ["thing_t"]' if rule.startswith("contract") else "")
    result = checked(rule, read, *sides)
    assert result.status == "not checked"
    assert any("circles" in each.reason for each in result.not_checked)


def test_types_in_circles_leave_the_attributes_to_decide() -> None:
    """Where the types cannot be compared, differing attributes are a finding that says why."""
    sides = []
    for name in ("station", "sampler"):
        two, one = _circle()
        sides.append(with_shared(name, two, of=one))
    (finding,) = findings(
        checked(
            "shared-data-attributes-agree", contract(""), saying(sides[0], tag26=1), saying(sides[1], tag26=2)
        )
    )
    assert "circles" in finding.lines[0]


def test_an_object_of_one_side_leaves_the_attributes_to_decide() -> None:
    """What only one build names is compared with nothing, so that the types do not tell everything."""
    station = with_shared("station", of=basic())
    sampler = with_shared("sampler", of=basic(), objects=("link_thing", "link_more"))
    (finding,) = findings(
        checked(
            "shared-data-attributes-agree", contract(""), saying(station, tag26=1), saying(sampler, tag26=2)
        )
    )
    assert "only one of the builds has link_more" in finding.lines[0]


def test_an_object_that_debug_information_leaves_out_is_not_checked() -> None:
    """An object that one side's debug information does not describe is told as such."""
    station = with_shared("station", of=basic())
    sampler = build(
        "sampler", debug_elf(basic(), symbols=[SymbolSpec("link_thing", LINK_OF["sampler"], 4, "object")])
    )
    result = checked("shared-symbols-agree", contract(""), station, sampler)
    assert [each.reason for each in result.not_checked] == [
        "its debug information does not describe link_thing"
    ]


def _constants(*values: int) -> Build:
    kind = basic("int", 4, 5)
    enumerations = [
        Entry(
            Tag.ENUMERATION_TYPE,
            {At.NAME: f"e{at}", At.BYTE_SIZE: 4},
            [Entry(Tag.ENUMERATOR, {At.NAME: "VERSION", At.CONST_VALUE: value})],
        )
        for at, value in enumerate(values)
    ]
    variable = Entry(Tag.VARIABLE, {At.NAME: "depth", At.TYPE: kind, At.CONST_VALUE: (Form.DATA1, 0xFE)})
    return build("station", debug_elf(kind, *enumerations, variable))


def test_a_build_with_two_values_of_one_constant_is_found() -> None:
    """Two sources of one build that were compiled with different versions of a header are told."""
    result = checked(
        "contract-constants-equal", contract('constants = ["VERSION"]'), _constants(3, 4), _constants(3)
    )
    (finding,) = findings(result)
    assert finding.found == "3, 4"


def test_a_variable_that_was_optimised_away_keeps_its_value() -> None:
    """A constant without an object is read from the debug information, its sign from its type."""
    read = contract('constants = ["depth"]')
    result = checked("contract-constants-equal", read, _constants(1), _constants(1))
    assert result.status == "holds"
    assert ": -2 in" in result.holds[0].where


def test_absolute_symbols_are_their_own_value_and_names_must_be_unique() -> None:
    """A linker script's constant is its value; two local objects of one name are not one constant."""

    def of(value: int) -> Build:
        return build(
            "station", debug_elf(basic(), symbols=[SymbolSpec("LIMIT", value, 0, "notype", section=0xFFF1)])
        )

    def twice() -> Build:
        pair = [SymbolSpec("LIMIT", at, 4, "object", "local") for at in (0x1000_0000, 0x1000_0004)]
        return build("station", debug_elf(basic(), symbols=pair))

    read = contract('constants = ["LIMIT"]', 'symbols = ["LIMIT"]')
    (finding,) = findings(checked("contract-constants-equal", read, of(0x20), of(0x30)))
    assert finding.found.startswith("48 (0x30) in build")
    for rule in ("contract-constants-equal", "contract-symbols-agree"):
        result = checked(rule, read, of(0x20), twice())
        assert any("not unique" in each.reason for each in result.not_checked)


@pytest.mark.parametrize("rule", RULES)
def test_a_layout_of_one_build_has_no_contract(rule: str) -> None:
    """With a single build there is nobody to agree with, and the rule says so."""
    text = '[build.sampler]\ncore = "sampler"\nstored_in = "sampler-code"\n'
    result = apply(rule, contract("", more={text: ""}), handed={"station": side("station", "station")})
    assert result.status == "does not apply"
    assert result.not_applicable[0].reason == result.rule.absent
