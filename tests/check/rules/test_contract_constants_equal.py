"""Tests of the rule ``contract-constants-equal``."""

from __future__ import annotations

from contract_builds import side, sides
from contract_fixtures import checked, contract, flat, of_sides
from gauge_builds import gauge, gauge_builds
from image_edits import changed
from small_device import apply, findings, joined

RULE = "contract-constants-equal"
ALL = contract('constants = ["LINK_PROTOCOL", "link_version", "LINK_DEPTH"]')
CPP = contract('constants = ["link::Mode::measuring", "measuring"]')


def _stamped():
    """The sampler's constant was changed in the image, behind its build's back."""
    handed = sides()
    place = _place(handed)
    image = changed(joined(ALL, handed).image, {place: b"\x09"})
    return apply(RULE, ALL, image, handed)


def _place(handed) -> int:
    symbol = handed["sampler"].symbols.one("link_version")
    return handed["sampler"].load_address_of(symbol.address)


def _one(name: str):
    return contract(f'constants = ["{name}"]')


BREAKS = {
    "another protocol": lambda: of_sides(RULE, ALL, sampler="sampler-protocol"),
    "an enumerator": lambda: of_sides(RULE, _one("LINK_SWELL"), sampler="sampler-enumerator"),
    "changed in the image": _stamped,
    "no build's, as a macro is": lambda: of_sides(RULE, _one("LINK_DEPHT")),
}
KEEPS = {
    "enumerators and an object": lambda: of_sides(RULE, ALL),
    "C++": lambda: of_sides(RULE, CPP, "cpp-station", "cpp-sampler"),
    "negative": lambda: of_sides(RULE, _one("LINK_FALLING"), "station-dwarf2"),
    "the tide gauge": lambda: apply(
        RULE, _gauge_with('constants = ["LINK_QUALITY_ROUGH"]'), handed=gauge_builds()
    ),
}


def _gauge_with(line: str):
    from gauge_builds import ROOT

    from gemel.layout.reader import read_layout

    text = (ROOT / "layouts" / "tide-gauge-in-place.toml").read_text(encoding="utf-8")
    return read_layout(text.replace("[contract.link]\n", f"[contract.link]\n{line}\n").encode(), "gauge.toml")


def test_the_gauge_names_its_layout() -> None:
    """The helper above changes the layout it is meant to change."""
    assert _gauge_with('constants = ["X"]').layout.contracts["link"].constants == ("X",)
    assert gauge().layout.contracts["link"].boot_symbol is not None


def test_the_values_and_where_they_come_from_are_told() -> None:
    """A constant of the image is told with its address, an enumerator with its origin."""
    (protocol,) = findings(BREAKS["another protocol"]())
    assert protocol.where.rpartition(", ")[2] == "LINK_PROTOCOL"
    assert protocol.found.startswith("4 in build sampler, by the debug information")
    assert protocol.expected.startswith("3 in build station")
    (version,) = findings(BREAKS["changed in the image"]())
    assert "an object of 4 bytes at 0x1000_" in version.found


def test_what_cannot_be_known_is_not_checked() -> None:
    """Constants of builds that are missing, stripped or have no number there are not checked."""
    station = side("station", "station")
    for sampler, reason in (
        (None, "needs the ELF file: sampler=FILE"),
        (flat("sampler"), "needs its ELF file"),
        (side("sampler", "station-stripped"), "no debug information"),
    ):
        result = checked(RULE, _one("LINK_DEPTH"), station, sampler)
        assert result.status == "not checked"
        assert reason in result.not_checked[0].reason
    result = of_sides(RULE, _one("link_ring"))
    assert "a number has 1, 2, 4 or 8" in result.not_checked[0].reason
