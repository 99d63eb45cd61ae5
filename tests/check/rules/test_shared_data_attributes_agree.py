"""Tests of the rule ``shared-data-attributes-agree``."""

from __future__ import annotations

import pytest
from contract_builds import side
from contract_fixtures import checked, contract, flat, of_sides
from gauge_builds import gauge, gauge_builds
from small_device import apply, findings

from gemel.builds.build import Build
from gemel.builds.elf.attributes import BuildAttributes
from gemel.structs import replace

RULE = "shared-data-attributes-agree"
NOTHING = contract("")


def saying(build: Build, **values: int) -> Build:
    """The build with other build attributes: ``tag26=2``."""
    attributes = dict(build.attributes.values) if build.attributes else {}
    attributes.update({int(name.removeprefix("tag")): value for name, value in values.items()})
    missing = tuple(text for text in build.missing if not text.startswith("build attributes"))
    return replace(build, attributes=BuildAttributes(attributes), missing=missing)


def _without_types(**values: int):
    """Both builds without debug information, the sampler's attributes changed."""
    station, sampler = (replace(side(name, name), debug=None) for name in ("station", "sampler"))
    return checked(RULE, NOTHING, station, saying(sampler, **values))


BREAKS = {
    "enumerations": lambda: _without_types(tag26=2),
    "wchar_t": lambda: _without_types(tag18=2),
    "alignment": lambda: checked(
        RULE,
        NOTHING,
        saying(replace(side("station", "station"), debug=None), tag24=1),
        saying(replace(side("sampler", "sampler"), debug=None), tag24=2),
    ),
    "half precision": lambda: checked(
        RULE,
        NOTHING,
        saying(replace(side("station", "station"), debug=None), tag38=1),
        saying(replace(side("sampler", "sampler"), debug=None), tag38=2),
    ),
    "one build without types": lambda: checked(
        RULE, NOTHING, side("station", "station-no-debug"), side("sampler", "sampler-wide-enums")
    ),
}
KEEPS = {
    "one convention": lambda: of_sides(RULE, NOTHING),
    "the types show exactly": lambda: of_sides(RULE, NOTHING, sampler="sampler-wide-enums"),
    "the tide gauge's types show exactly": lambda: apply(
        RULE, gauge(), handed=gauge_builds(sampler="sampler-wide-enums")
    ),
    "32 bits where others see them": lambda: _without_types(tag26=3),
    "no enumerations": lambda: _without_types(tag26=0),
    "8-byte alignment and more": lambda: _without_types(tag24=5),
}


@pytest.mark.parametrize(
    ("sampler", "reason"),
    [(None, "needs the ELF file: sampler=FILE"), (flat("sampler"), "needs its ELF file")],
)
def test_a_build_without_attributes_is_not_checked(sampler: Build | None, reason: str) -> None:
    """Builds that are missing or no ELF file are named."""
    result = checked(RULE, NOTHING, side("station", "station"), sampler)
    assert result.status == "not checked"
    assert reason in result.not_checked[0].reason


def test_a_warning_says_why_the_types_do_not_tell() -> None:
    """The finding says what kept the exact comparison from being made."""
    (finding,) = findings(BREAKS["one build without types"]())
    assert "no debug information" in finding.lines[0]


def test_what_the_types_tell_is_said_where_it_holds() -> None:
    """Where attributes differ and the types are compared exactly, the result says both."""
    (held,) = KEEPS["the types show exactly"]().holds
    assert "differ in size of enumerations" in held.where
