"""What ``join`` refuses to put together, ``check`` finds; what it puts together, ``check`` lets pass."""

from __future__ import annotations

import layout_edits as edits
import pytest
from elf_writer import SegmentSpec
from gauge_builds import gauge, gauge_builds
from small_device import (
    CODE,
    FLASH,
    RAM_OF_SAMPLER,
    RECORD,
    SAMPLER,
    SPARE,
    STATION,
    STATION_RAM,
    TODAY,
    builds,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of

from gemel.builds.build import Build
from gemel.checking.registry import rule_named
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.merging import merge_builds
from gemel.layout.reader import ReadLayout
from gemel.placement.elsewhere import problems_of
from gemel.placement.placing import place_all

RULES = (
    "load-addresses-in-flash",
    "builds-in-own-areas",
    "embedded-build-current",
    "copied-build-in-run-area",
)
"""The rules that say of builds at hand what a join says of them."""
SMALL, COPIED, SEEN = layout(), layout(edits.COPIED), layout(edits.SEEN_ELSEWHERE)
RUN = RAM_OF_SAMPLER + 0x3400
TODAYS = builds()["sampler"].stored[0].data
OLD = builds(sampler=sampler_elf(code=CODE[::-1]))["sampler"].stored[0].data


def _station(*extra: SegmentSpec) -> dict[str, Build]:
    return builds(station=station_elf(extra=extra))


CASES: dict[str, tuple[ReadLayout, dict[str, Build]]] = {
    "sound": (SMALL, builds()),
    "copied": (COPIED, builds(sampler=sampler_elf(base=SAMPLER, run=RUN))),
    "stored for its RAM": (COPIED, builds(sampler=sampler_elf(base=RUN))),
    "through a view": (SEEN, builds(sampler=sampler_elf(base=0x1000))),
    "today's copy at its place": (SMALL, _station(SegmentSpec(SAMPLER, TODAYS))),
    "old copy at its place": (SMALL, _station(SegmentSpec(SAMPLER, OLD))),
    "longer copy at its place": (SMALL, _station(SegmentSpec(SAMPLER, TODAYS + b"\0"))),
    "data in RAM": (SMALL, _station(SegmentSpec(STATION_RAM + 0x800, b"data"))),
    "data in registers": (SMALL, _station(SegmentSpec(0x5000_0000, b"data"))),
    "data nowhere": (SMALL, _station(SegmentSpec(0x6000_0000, b"data"))),
    "over the end of flash": (SMALL, _station(SegmentSpec(FLASH + 0x3FFC, b"data and more"))),
    "in no area": (SMALL, _station(SegmentSpec(FLASH + 0x3000, b"data"))),
    "in the record's area": (SMALL, _station(SegmentSpec(RECORD, b"data"))),
    "in the spare area": (SMALL, _station(SegmentSpec(SPARE, b"data"))),
    "in a further area of its own": (layout(edits.ALSO_SPARE), _station(SegmentSpec(SPARE, b"data"))),
    "sampler in the station's area": (
        SMALL,
        builds(sampler=sampler_elf(extra=(SegmentSpec(STATION + 0x800, b"data"),))),
    ),
    "sampler elsewhere": (SMALL, builds(sampler=sampler_elf(base=FLASH + 0x3000))),
    "sampler in RAM alone": (SMALL, builds(sampler=sampler_elf(base=STATION_RAM))),
    "swapped": (
        SMALL,
        {"station": build_of("station", sampler_elf()), "sampler": build_of("sampler", station_elf())},
    ),
    "segments that run apart": (
        COPIED,
        builds(
            sampler=sampler_elf(
                base=SAMPLER, run=RUN, extra=(SegmentSpec(SAMPLER + 0x200, b"data", run_address=RUN + 0x300),)
            )
        ),
    ),
    "gauge, embedding": (gauge(), gauge_builds(station="station-embedding")),
    "gauge, stale": (gauge(), gauge_builds(station="station-stale")),
    "gauge, misplaced in its own area": (gauge(), gauge_builds(sampler="sampler-misplaced")),
    "gauge, another arrangement": (gauge("two-banks"), gauge_builds("in-place")),
}


@pytest.mark.parametrize("case", CASES)
def test_check_finds_what_join_refuses(case: str) -> None:
    """A join's refusal and a finding of one of the rules go together, case by case."""
    read, handed = CASES[case]
    placements = place_all(read.layout, handed)
    _, problems = merge_builds(read.layout, placements)
    refused = bool(problems or problems_of(read.layout, placements))
    rules = [rule for rule in map(rule_named, RULES) if rule]
    assert len(rules) == len(RULES)
    result = check(Inspection(read, joined().image, handed), TODAY, rules)
    assert bool(result.open_findings("error")) == refused


def test_both_outcomes_are_among_the_cases() -> None:
    """The table holds pairs of builds that join and pairs that do not."""
    refused = set()
    for read, handed in CASES.values():
        placements = place_all(read.layout, handed)
        refused.add(bool(problems_of(read.layout, placements) + merge_builds(read.layout, placements)[1]))
    assert refused == {True, False}
