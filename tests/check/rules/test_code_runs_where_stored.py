"""``code-runs-where-stored``: flash code that is stored away from where it runs."""

from __future__ import annotations

import layout_edits as edits
import pytest
from elf_writer import SegmentSpec
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import (
    FLASH,
    RAM_OF_SAMPLER,
    SAMPLER,
    STATION,
    STATION_RAM,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.spans import Span

RULE = "code-runs-where-stored"
IMAGE = joined().image
VIEW = layout(edits.SEEN_ELSEWHERE)
ALIAS = layout({"write_unit = 8\n": "write_unit = 8\naliases = [0x0C00_0000]\n"})
COPIED = layout(edits.COPIED)


def _sampler(read=None, **options):
    return apply(RULE, read, IMAGE, builds(sampler=sampler_elf(**options)))


BREAKS = {
    "stored after where it runs": lambda: _sampler(base=SAMPLER + 0x100, run=SAMPLER),
    "stored before where it runs": lambda: _sampler(base=SAMPLER, run=SAMPLER + 0x400),
    "linked for the station's flash": lambda: _sampler(base=SAMPLER, run=STATION),
    "linked for its view of another place": lambda: _sampler(VIEW, base=SAMPLER, run=0x0000_1100),
    "constants that are not copied": lambda: apply(
        RULE,
        image=IMAGE,
        handed=builds(
            station=station_elf(extra=(SegmentSpec(FLASH + 0x400, b"table", run_address=FLASH + 0x500),))
        ),
    ),
}

KEEPS = {
    "both builds": lambda: apply(RULE),
    "initialised data": lambda: apply(
        RULE,
        image=IMAGE,
        handed=builds(
            station=station_elf(extra=(SegmentSpec(FLASH + 0x400, b"data", run_address=STATION_RAM + 0x800),))
        ),
    ),
    "stored and run through the core's view": lambda: _sampler(VIEW, base=0x1000),
    "stored at the plain address, run through the core's view": lambda: _sampler(
        VIEW, base=SAMPLER, run=0x1000
    ),
    "run through an alias": lambda: _sampler(ALIAS, base=SAMPLER, run=0x0C00_1000),
    "a copied build": lambda: _sampler(COPIED, base=SAMPLER, run=RAM_OF_SAMPLER + 0x3400),
    "run where no memory is, which is another rule's": lambda: _sampler(base=SAMPLER, run=0x6000_0000),
}


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_the_tide_gauge_keeps_it(arrangement: str) -> None:
    """Both real builds of every arrangement run where they are stored, or in RAM."""
    assert apply(RULE, gauge(arrangement), IMAGE, gauge_builds(arrangement)).status == "holds"


def test_the_distance_is_told() -> None:
    """The finding says how far apart the two places are, and on which side."""
    (behind,) = findings(BREAKS["stored after where it runs"]())
    assert behind.lines == ("it is stored 256 bytes after the place it runs from",)
    assert behind.span == Span(SAMPLER + 0x100, 0x124)
    (before,) = findings(BREAKS["stored before where it runs"]())
    assert before.lines == ("it is stored 1 KiB (1,024 bytes) before the place it runs from",)


def test_all_at_one_distance_is_one_finding() -> None:
    """Segments that were moved together are told once, others by their own distance."""
    moved = [
        SegmentSpec(FLASH + at, b"table", run_address=FLASH + at + by)
        for at, by in ((0x400, 64), (0x500, 64), (0x600, 32))
    ]
    together, alone = findings(apply(RULE, image=IMAGE, handed=builds(station=station_elf(extra=moved))))
    assert together.lines == (
        "it is stored 64 bytes before the place it runs from",
        "so is segment 3: stored at 0x1000_0500..0x1000_0504, runs at 0x1000_0540..0x1000_0544, 5 bytes",
    )
    assert alone.lines == ("it is stored 32 bytes before the place it runs from",)


def test_a_raw_binary_does_not_tell() -> None:
    """Only an ELF file tells run addresses apart from load addresses."""
    raw = read_build(
        BytesSource(b"\1" * 64, "sampler.bin"), name="sampler", file="sampler.bin", raw_start=SAMPLER
    )
    result = apply(RULE, image=IMAGE, handed={"sampler": raw})
    reasons = {each.where: each.reason for each in result.not_checked}
    assert reasons["build station"] == "needs the ELF file: station=FILE"
    assert reasons["build sampler"].endswith("needs its ELF file")
