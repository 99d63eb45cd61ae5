"""``load-addresses-in-flash``: segments stored in RAM, in registers, nowhere, or over the end of flash."""

from __future__ import annotations

import layout_edits as edits
import pytest
from builds.elf_writer import SegmentSpec
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import (
    FLASH,
    RAM_OF_SAMPLER,
    SAMPLER,
    STATION_RAM,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of

from gemel.spans import Span

RULE = "load-addresses-in-flash"
END = FLASH + 0x4000
COPIED = layout(edits.COPIED)
RUN = RAM_OF_SAMPLER + 0x3400
FLASH_SEEN_ELSEWHERE = layout(edits.SEEN_ELSEWHERE)


def _station(*extra, read=None):
    return apply(RULE, read, joined().image, builds(station=station_elf(extra=extra)))


BREAKS = {
    "initialised data loaded to RAM": lambda: _station(SegmentSpec(STATION_RAM + 0x800, b"data", flags="rw")),
    "bytes loaded to registers": lambda: _station(SegmentSpec(0x5000_0000, b"\1\0\0\0", flags="rw")),
    "bytes where no memory is": lambda: _station(SegmentSpec(0x0800_0000, bytes(64))),
    "over the end of flash": lambda: _station(SegmentSpec(END - 8, bytes(16))),
    "two segments": lambda: _station(
        SegmentSpec(STATION_RAM + 0x800, b"data"), SegmentSpec(0x6000_0000, b"x")
    ),
    "more segments than are listed": lambda: _station(
        *(SegmentSpec(0x6000_0000 + 0x100 * n, b"x") for n in range(12))
    ),
    "a copied build loaded to the wrong RAM": lambda: apply(
        RULE, COPIED, joined().image, builds(sampler=sampler_elf(base=RAM_OF_SAMPLER + 0x2400, run=RUN))
    ),
    "the station's data at an address that only the sampler sees": lambda: _station(
        SegmentSpec(0x0000_0100, b"data"), read=FLASH_SEEN_ELSEWHERE
    ),
}

KEEPS = {
    "both builds": lambda: apply(RULE),
    "data with its own load address": lambda: _station(
        SegmentSpec(FLASH + 0x400, b"data", run_address=STATION_RAM + 0x800, flags="rw")
    ),
    "a copied build loaded to the RAM it runs in": lambda: apply(
        RULE, COPIED, joined().image, builds(sampler=sampler_elf(base=RUN))
    ),
    "load addresses as the core sees flash": lambda: apply(
        RULE, FLASH_SEEN_ELSEWHERE, joined().image, builds(sampler=sampler_elf(base=0x1000))
    ),
    "the last bytes of flash": lambda: _station(SegmentSpec(END - 8, bytes(8))),
}


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_the_tide_gauge_keeps_it(arrangement: str) -> None:
    """Both real builds of every arrangement store what they store in flash."""
    result = apply(RULE, gauge(arrangement), joined().image, gauge_builds(arrangement))
    assert result.status == "holds"


def test_a_build_not_at_hand_is_not_checked() -> None:
    """The build at hand is looked at, the other is reported with what it would take."""
    result = apply(RULE, handed={"station": build_of("station", station_elf())}, image=joined().image)
    assert [held.where for held in result.holds] == ["build station"]
    assert [(each.where, each.reason) for each in result.not_checked] == [
        ("build sampler", "needs the build: sampler=FILE")
    ]


def test_the_end_of_flash_counts_in_bytes() -> None:
    """The finding gives the bytes behind the end alone."""
    (finding,) = findings(BREAKS["over the end of flash"]())
    assert finding.span == Span(END, 8)


def test_the_hint_fits_the_build() -> None:
    """A build that is not copied is told of runs_in; a copied one is not, since it has it."""
    (own,) = findings(BREAKS["initialised data loaded to RAM"]())
    (copied,) = findings(BREAKS["a copied build loaded to the wrong RAM"]())
    assert "runs_in" in own.next_step
    assert "runs_in" not in copied.next_step


def test_a_long_list_is_cut_and_says_so() -> None:
    """Segments in no memory are one finding, which names some of them and says how many more there are."""
    (found,) = findings(BREAKS["more segments than are listed"]())
    assert found.lines[-1] == "and 3 more segments"
    assert found.span
    assert found.span.start != SAMPLER
