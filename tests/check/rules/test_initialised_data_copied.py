"""``initialised-data-copied``: bytes stored for RAM that no copy brings there."""

from __future__ import annotations

import struct

import pytest
import verdict_builds
from elf_writer import SegmentSpec
from gauge_rules import on_the_gauge
from ram_and_start import of
from small_device import STATION, STATION_RAM, apply, builds, station_elf
from start_tables import TABLE_AT, with_symbols, with_table
from vector_fixtures import copied_layout, copied_sampler

RULE = "initialised-data-copied"
DATA_AT = STATION + 0x400
ZEROS = SegmentSpec(DATA_AT, bytes(range(1, 61)) + bytes(4), STATION_RAM, flags="rw")


BREAKS = {
    "code for RAM, forgotten in the table": lambda: of(RULE, "station-ramcode-forgotten"),
    "the end of the data": lambda: with_symbols(RULE, end=STATION_RAM + 48),
    "the middle of it": lambda: with_table(
        RULE, (DATA_AT, STATION_RAM, 20), (DATA_AT + 44, STATION_RAM + 44, 20)
    ),
}
KEEPS = {
    "by symbols": lambda: with_symbols(RULE),
    "zeros at the end are no data": lambda: with_symbols(RULE, end=STATION_RAM + 60, segment=ZEROS),
    "sound, in place": lambda: of(RULE, "station"),
    "sound, copied": lambda: of(RULE, "copying-station"),
    **on_the_gauge(RULE),
}


def test_a_build_without_the_usual_symbols_is_not_judged() -> None:
    """Bytes for RAM in a build whose symbols do not tell what is copied are not checked, with the reason."""
    segment = SegmentSpec(DATA_AT, bytes(range(1, 65)), STATION_RAM, flags="rw")
    result = apply(RULE, None, None, builds(station=station_elf(ram=None, extra=(segment,))))
    assert result.status == "not checked"
    assert "what its start-up code copies is not known" in result.not_checked[0].reason


def test_what_the_primary_copies_needs_no_copy_of_its_own() -> None:
    """The copied sampler's block lies in RAM and is brought there by the primary."""
    result = apply(RULE, copied_layout(), None, builds(sampler=copied_sampler()))
    assert result.status == "does not apply"
    assert [each.reason for each in result.not_applicable] == [result.rule.absent]


@pytest.mark.parametrize("family", verdict_builds.ARCHITECTURES)
def test_sections_of_single_objects_are_named(family) -> None:
    """An orphan that the script has no rule for is placed with the others of its kind."""
    finding = verdict_builds.of(RULE, family, "sampler-data-orphans").findings[0].finding
    assert "place .data.scale with the others" in finding.next_step
    assert "*(.data .data.*)" in finding.next_step


def test_what_code_may_copy_by_other_names_is_not_judged() -> None:
    """Code that holds both addresses of what no known block copies may copy it, where it is not followed whole."""
    more = SegmentSpec(DATA_AT + 0x100, bytes(range(1, 17)), STATION_RAM + 0x80, flags="rw")
    words = struct.pack("<2H2I", 0x4800, 0x4901, DATA_AT + 0x100, STATION_RAM + 0x80)
    code = SegmentSpec(TABLE_AT, words, flags="rx")
    assert with_symbols(RULE, more=(more,)).findings
    result = with_symbols(RULE, more=(more, code))
    assert (result.status, len(result.findings)) == ("not checked", 0)
