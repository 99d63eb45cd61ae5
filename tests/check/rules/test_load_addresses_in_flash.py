"""``load-addresses-in-flash``: segments stored in RAM, in registers, nowhere, or over the end of flash."""

from __future__ import annotations

import struct

import layout_edits as edits
import pytest
from elf_writer import SegmentSpec
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

from gemel.errors import JoinRefused
from gemel.joining.pipeline import join
from gemel.spans import Span

RULE = "load-addresses-in-flash"
END = FLASH + 0x4000
COPIED = layout(edits.COPIED)
RUN = RAM_OF_SAMPLER + 0x3400
FLASH_SEEN_ELSEWHERE = layout(edits.SEEN_ELSEWHERE)

NOTE = struct.pack("<III4s20s", 4, 20, 3, b"GNU", bytes(range(20)))
"""A build id note as linkers write it (gABI, "Note Section")."""


def _station(*extra, read=None):
    return apply(RULE, read, joined().image, builds(station=station_elf(extra=extra)))


BREAKS = {
    "initialised data loaded to RAM": lambda: _station(SegmentSpec(STATION_RAM + 0x800, b"data", flags="rw")),
    "bytes loaded to registers": lambda: _station(SegmentSpec(0x5000_0000, b"\1\0\0\0", flags="rw")),
    "bytes where no memory is": lambda: _station(SegmentSpec(0x0800_0000, bytes(64))),
    "a build id note where no memory is": lambda: _station(SegmentSpec(0x0800_0000, NOTE)),
    "a build id note in RAM": lambda: _station(SegmentSpec(STATION_RAM + 0x800, NOTE)),
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
    """Data needs a load address; code of a build that is not copied may lack runs_in, and a copied one has it."""
    (own,) = findings(BREAKS["initialised data loaded to RAM"]())
    (copied,) = findings(BREAKS["a copied build loaded to the wrong RAM"]())
    code = SegmentSpec(STATION_RAM + 0x800, bytes(range(64)), flags="rx")
    (run,) = findings(_station(code))
    assert own.next_step.endswith(
        "is stored at the address it runs at: give it a load address in flash (AT>), or (NOLOAD)"
    )
    assert run.next_step.endswith("or name the RAM area it runs in as runs_in in the layout")
    assert "runs_in" not in copied.next_step


@pytest.mark.parametrize("name", ["a build id note where no memory is", "a build id note in RAM"])
def test_a_build_id_note_is_named_with_its_line(name: str) -> None:
    """What an orphan note needs is a line in the linker script, wherever it is; a join says it too."""
    (finding,) = findings(BREAKS[name]())
    assert ".note.gnu.build-id : { KEEP(*(.note.gnu.build-id)) }" in finding.next_step
    address = 0x0800_0000 if "no memory" in name else STATION_RAM + 0x800
    with pytest.raises(JoinRefused) as refused:
        join(layout(), builds(station=station_elf(extra=[SegmentSpec(address, NOTE)])))
    assert [problem.next_step for problem in refused.value.problems] == [finding.next_step]


@pytest.mark.parametrize(
    "data", [NOTE[:-1], NOTE + bytes(4), NOTE + NOTE, b"\1" + NOTE, NOTE[:8] + b"\4" + NOTE[9:]]
)
def test_other_bytes_are_no_note(data: bytes) -> None:
    """A note that is cut, two of them, bytes around one and a note of another type are bytes as others are."""
    (finding,) = findings(_station(SegmentSpec(0x0800_0000, data)))
    assert "note" not in finding.next_step


def test_a_long_list_is_cut_and_says_so() -> None:
    """Segments in no memory are one finding, which names some of them and says how many more there are."""
    (found,) = findings(BREAKS["more segments than are listed"]())
    assert found.lines[-1] == "and 3 more segments"
    assert found.span
    assert found.span.start != SAMPLER
