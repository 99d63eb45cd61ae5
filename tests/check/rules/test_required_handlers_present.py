"""Tests of the rule ``required-handlers-present``."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec
from reading_builds import read
from small_device import STATION, findings, layout, sampler_elf, station_elf
from vector_fixtures import SAMPLER_CORE, alone, of
from verdict_builds import of as of_verdict

from gemel.checking.rules import required_handlers_present
from gemel.checking.rules.required_handlers_present import MAX_HANDLER

RULE = "required-handlers-present"
V6 = layout({SAMPLER_CORE: SAMPLER_CORE.replace("armv8-m.main", "armv6-m")})
REST = {index: 0 for index in range(4, 32) if index not in (11, 14)}
"""Every word that may be zero."""

BREAKS = {
    "no HardFault": lambda: of(RULE, station=station_elf(words={3: 0})),
    "none of the four": lambda: of(RULE, station=station_elf(words={2: 0, 3: 0, 11: 0, 14: 0})),
    "Armv6-M": lambda: of(RULE, read=V6, sampler=sampler_elf(words={11: 0})),
    "image alone": lambda: alone(RULE, station=station_elf(words={14: 0})),
    "no word for an interrupt, none enabled": lambda: of_verdict(RULE, "v7", "sampler-vectors-none"),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "all others zero": lambda: of(RULE, station=station_elf(words=REST)),
    "image alone": lambda: alone(RULE),
}


@pytest.mark.parametrize(("index", "name"), [(2, "NMI"), (3, "HardFault"), (11, "SVCall"), (14, "PendSV")])
def test_each_of_the_four_is_missed_by_name(index: int, name: str) -> None:
    """Each required handler alone is missed, and called by its name (CMSIS-Core, table of exceptions)."""
    (finding,) = findings(of(RULE, station=station_elf(words={index: 0})))
    assert finding.what == f"build station has no handler for {name}"
    assert f"word {index} ({name})" in finding.where


def test_it_is_a_warning_and_one_finding() -> None:
    """Four missing handlers are one warning."""
    result = BREAKS["none of the four"]()
    assert result.severity == "warning"
    (finding,) = findings(result)
    assert "words 2..3, 11, 14 of" in finding.where


def test_a_blank_table_is_not_checked() -> None:
    """The handlers of a blank table are another rule's business."""
    assert of(RULE, sampler=sampler_elf(words={0: 0, 1: 0})).status == "not checked"


@pytest.mark.parametrize(("more", "never_returns"), [(0, True), (2, False)])
def test_the_largest_handler_without_a_size(more: int, never_returns: bool) -> None:
    """A loop that ends within MAX_HANDLER bytes is seen."""
    code = b"\x00\xbf" * ((MAX_HANDLER + more) // 2 - 1) + b"\xfe\xe7"
    build = read(station_elf(extra=(SegmentSpec(STATION + 0x800, code, flags="rx"),)))
    assert required_handlers_present._never_returns(build, STATION + 0x800, False) is never_returns


def test_a_table_without_words_for_interrupts_where_one_is_enabled() -> None:
    """Another rule says it, from which the ticks follow that the default handler of the same table gets."""
    (finding,) = findings(of_verdict(RULE, "v7", "sampler-vectors-none-enabled"))
    assert ("vector-table-complete", "sampler") in finding.follows_from
