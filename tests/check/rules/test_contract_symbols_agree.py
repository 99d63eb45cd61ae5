"""Tests of the rule ``contract-symbols-agree``."""

from __future__ import annotations

import pytest
from contract_builds import side
from contract_fixtures import checked, contract, flat, of_sides, of_sources, written
from elf_writer import SymbolSpec
from gauge_rules import on_the_gauge
from small_device import LINK, RAM_OF_SAMPLER, apply, findings, layout, sampler_elf, station_elf

from gemel.checking.rules.contract_symbols_agree import ALIGNMENT

RULE = "contract-symbols-agree"
LINK_OF_SAMPLER = RAM_OF_SAMPLER + 0x3000
ALL = contract('symbols = ["link_ring", "link_nodes", "link_log"]')


def _written(*symbols: SymbolSpec, name: str = "more"):
    """The small device whose builds both have ``link_frames``; ``symbols`` are the station's."""
    read = contract(f'symbols = ["{name}"]')
    return apply(RULE, read, handed=written(station=station_elf(symbols=symbols)))


def _pair(station: SymbolSpec, sampler: tuple[int, int]):
    read = contract('symbols = ["link_frames"]')
    elf = station_elf().replace(b"link_frames\0", b"other_thing\0")
    handed = written(station=elf, sampler=sampler_elf())
    del station, sampler
    return apply(RULE, read, handed=handed)


BREAKS = {
    "placed by two linkers": lambda: of_sides(RULE, ALL, sampler="sampler-unfixed"),
    "another size": lambda: of_sides(RULE, contract('symbols = ["link_ring"]'), sampler="sampler-depth"),
    "not defined in one build": lambda: _written(SymbolSpec("more", LINK + 64, 8, "object")),
    "no build's": lambda: of_sides(RULE, contract('symbols = ["no_such_thing"]')),
    "renamed in the primary": lambda: _pair(SymbolSpec("", 0), (0, 0)),
    "outside of the area": lambda: apply(
        RULE, layout({'offset = "12 KiB", size = "1 KiB"': 'offset = "12 KiB", size = 32'})
    ),
    "another view": lambda: apply(
        RULE, layout({"views = { sampler = 0x3000_0000 }": "views = { sampler = 0x2FFF_FF00 }"})
    ),
    "no view where there should be one": lambda: apply(
        RULE, layout({"views = { sampler = 0x3000_0000 }": ""})
    ),
}
KEEPS = {
    "three objects": lambda: of_sides(RULE, ALL),
    "seen elsewhere by the sampler": lambda: apply(RULE),
    "through an alias": lambda: apply(
        RULE, layout({"views = { sampler = 0x3000_0000 }": "aliases = [0x3000_0000]"})
    ),
    **on_the_gauge(RULE),
}


def test_the_finding_says_where_the_other_core_would_look() -> None:
    """Places are told as each core sees them: the sampler sees RAM elsewhere."""
    found = findings(BREAKS["placed by two linkers"]())
    assert found
    for finding in found:
        assert "as core sampler sees it" in finding.expected
        assert finding.found.startswith("0x3000_3")


def test_a_build_without_symbols_is_not_checked() -> None:
    """A missing build, a raw binary and a stripped file are not checked, with the reason."""
    station = side("station", "station")
    for sampler, reason in (
        (None, "needs the ELF file: sampler=FILE"),
        (flat("sampler"), "needs its ELF file"),
        (side("sampler", "station-stripped"), "stripped"),
    ):
        result = checked(RULE, ALL, station, sampler)
        assert result.status == "not checked"
        assert reason in result.not_checked[0].reason


def test_a_symbol_that_nobody_defines_is_told_with_the_nearest_names() -> None:
    """A name that no build has is likely misspelt; where one cannot be read it is not checked."""
    read = contract('symbols = ["link_rang"]')
    (finding,) = findings(of_sides(RULE, read))
    assert finding.what == "no build defines link_rang"
    assert finding.next_step.startswith("name the object as one of these: link_ring")
    result = checked(RULE, read, side("station", "station"), None)
    assert result.status == "not checked"
    assert not result.findings


@pytest.mark.parametrize(("moved", "pushed"), [(16, True), (20, True), (24, False), (8, False), (-4, False)])
def test_an_object_that_a_larger_one_pushes_follows_from_it(moved: int, pushed: bool) -> None:
    """``head`` has 16 bytes more; ``tail`` follows from that up to ALIGNMENT, else it is a fault of its own."""
    assert ALIGNMENT == 8
    source = """__attribute__((section(".link"), used)) volatile uint8_t all[64];
        __asm(".global head, tail; .type head, %object; .type tail, %object; .set head, all; .size head, {}\\n"
              ".set tail, all + {}; .size tail, 8");"""
    made = source.format(8, 16), source.format(24, 16 + moved)
    found = findings(of_sources(RULE, contract('symbols = ["head", "tail"]'), *made))
    assert ["different sizes" in each.what for each in found] == [True] + [False] * (not pushed)
