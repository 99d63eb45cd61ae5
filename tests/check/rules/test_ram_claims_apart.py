"""``ram-claims-apart``: RAM that builds of two cores both take, through views and aliases."""

from __future__ import annotations

import layout_edits as edits
import pytest
from elf_writer import SegmentSpec, SymbolSpec, elf
from gauge_rules import on_the_gauge
from ram_and_start import of as of_small
from small_device import (
    RAM,
    RAM_OF_SAMPLER,
    SAMPLER,
    SPARE,
    STATION,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.spans import Span

RULE = "ram-claims-apart"
IMAGE = joined().image
ALIAS = layout(
    {"views = { sampler = 0x3000_0000 }": "views = { sampler = 0x3000_0000 }\naliases = [0x2200_0000]"}
)
COPIED = layout(edits.COPIED)
WITH_BOOT = layout(edits.WITH_BOOT)


def _bss(address, size):
    return SegmentSpec(address, b"", memory_size=size, flags="rw")


def _around(gap):
    """One segment of the station with sections before and behind ``gap`` bytes of the sampler's RAM."""
    sections = ((".bss", RAM + 0x1F00, 0x200), (".more", RAM + 0x2100 + gap, 0x40))
    return SegmentSpec(RAM + 0x1F00, memory_size=0x240 + gap, flags="rw", sections=sections)


def _both(station, sampler, read=None, symbols=(), **options):
    """The station takes ``station``, the sampler ``sampler`` (as it sees it): (address, size) each."""
    handed = builds(
        station=station_elf(ram=None, extra=tuple(_bss(*each) for each in station), symbols=symbols),
        sampler=sampler_elf(ram=None, extra=tuple(_bss(*each) for each in sampler), **options),
    )
    return apply(RULE, read, IMAGE, handed)


def _three(boot, station, sampler):
    handed = {
        "boot": build_of("boot", elf([SegmentSpec(SPARE, b"\1" * 64), _bss(*boot)])),
        **builds(station_elf(ram=_bss(*station)), sampler_elf(ram=_bss(*sampler))),
    }
    return apply(RULE, WITH_BOOT, IMAGE, handed)


SYMBOLS = (SymbolSpec("history", RAM + 0x2100, 0x80, "object"),)

BREAKS = {
    "a heap over the other build's data": lambda: of_small(RULE, "station-heap-over-sampler"),
    "data in the other build's data and heap": lambda: of_small(RULE, "sampler-log-in-station-ram"),
    "data over a copied build": lambda: of_small(RULE, "copying-station-tides-in-copy"),
    "the same RAM at two addresses": lambda: _both(
        [(RAM + 0x2100, 0x100)], [(RAM_OF_SAMPLER + 0x2180, 0x100)], symbols=SYMBOLS
    ),
    "one byte": lambda: _both([(RAM + 0x1000, 0x1001)], [(RAM_OF_SAMPLER + 0x2000, 0x100)]),
    "through an alias": lambda: _both([(0x2200_2000, 64)], [(RAM_OF_SAMPLER + 0x2000, 64)], ALIAS),
    "both through the alias": lambda: _both([(0x2200_2000, 64)], [(0x2200_2020, 64)], ALIAS),
    "over the shared area on both sides": lambda: _both(
        [(RAM + 0x2F00, 0x600)], [(RAM_OF_SAMPLER + 0x2F80, 0x500)]
    ),
    "over the end of a gap between two sections of the other": lambda: apply(
        RULE,
        image=IMAGE,
        handed=builds(
            station=station_elf(ram=_around(0xFF)),
            sampler=sampler_elf(ram=_bss(RAM_OF_SAMPLER + 0x2100, 0x100)),
        ),
    ),
    "where the copied sampler runs": lambda: _both(
        [(RAM + 0x3400, 64)], [], COPIED, base=SAMPLER, run=RAM_OF_SAMPLER + 0x3400
    ),
    "three builds": lambda: _three((RAM + 0x2000, 64), (RAM, 64), (RAM_OF_SAMPLER + 0x2000, 64)),
    "more spans than are listed": lambda: _both(
        [(RAM + 0x2000 + 0x40 * n, 16) for n in range(12)], [(RAM_OF_SAMPLER + 0x2000, 0x400)]
    ),
}

KEEPS = {
    "heaps and stacks apart": lambda: of_small(RULE, "station"),
    "both builds": lambda: apply(RULE),
    "side by side": lambda: _both([(RAM, 0x2000)], [(RAM_OF_SAMPLER + 0x2000, 0x1000)]),
    "the same shared area": lambda: _both([(RAM + 0x3000, 0x400)], [(RAM_OF_SAMPLER + 0x3000, 0x400)]),
    "two builds of one core": lambda: _three((RAM, 64), (RAM, 64), (RAM_OF_SAMPLER + 0x2000, 64)),
    "in a gap between two sections of the other": lambda: apply(
        RULE,
        image=IMAGE,
        handed=builds(
            station=station_elf(ram=_around(0x100)),
            sampler=sampler_elf(ram=_bss(RAM_OF_SAMPLER + 0x2100, 0x100)),
        ),
    ),
    "no RAM at all": lambda: _both([], []),
    **on_the_gauge(RULE),
}


def test_the_shared_span_is_plain_and_the_evidence_is_as_each_core_sees_it() -> None:
    """The finding gives the plain span, and for each build its segment, its own address and its objects."""
    (finding,) = findings(BREAKS["the same RAM at two addresses"]())
    assert finding.span == Span(RAM + 0x2180, 0x80)
    assert finding.parties == ("station", "sampler", "sampler-ram")
    assert "objects not known" in finding.lines[0]
    assert "as core sampler sees it 0x3000_2180..0x3000_21FF" in finding.lines[1]


def test_objects_are_named_where_they_are_known() -> None:
    """The largest objects of a build in the shared span are named."""
    result = _both([(RAM + 0x2100, 0x100)], [(RAM_OF_SAMPLER + 0x2100, 0x40)], symbols=SYMBOLS)
    (finding,) = findings(result)
    assert "history at 0x2000_2100, 128 bytes" in finding.lines[0]


def test_the_shared_area_itself_is_left_out() -> None:
    """Of claims that reach over a shared area on both sides, the parts outside it are found."""
    found = findings(BREAKS["over the shared area on both sides"]())
    assert [finding.span for finding in found] == [Span(RAM + 0x2F80, 0x80), Span(RAM + 0x3400, 0x80)]


def test_each_pair_is_one_outcome() -> None:
    """Of three builds on two cores, the two pairs across cores are looked at."""
    result = BREAKS["three builds"]()
    assert [held.where for held in result.holds] == ["builds station and sampler"]
    assert [finding.parties[:2] for finding in findings(result)] == [("sampler", "boot")]


@pytest.mark.parametrize("missing", ["station", "sampler"])
def test_both_builds_are_needed(missing: str) -> None:
    """With one ELF file alone nothing can be compared, and the reason names the other."""
    handed = {name: build for name, build in builds().items() if name != missing}
    result = apply(RULE, image=IMAGE, handed=handed)
    assert [each.reason for each in result.not_checked] == [f"needs the ELF file: {missing}=FILE"]


def test_a_raw_binary_does_not_tell() -> None:
    """A raw binary says nothing of RAM, so the pair is not checked."""
    raw = read_build(
        BytesSource(b"\1" * 64, "station.bin"), name="station", file="station.bin", raw_start=STATION
    )
    result = apply(RULE, image=IMAGE, handed={**builds(), "station": raw})
    assert [each.where for each in result.not_checked] == ["builds station and sampler"]
    assert "does not show what memory" in result.not_checked[0].reason


def test_one_core_has_no_pair() -> None:
    """A layout with builds of one core only has nothing to compare."""
    single = layout(edits.ONE_BUILD)
    result = apply(RULE, single, IMAGE, {"station": builds()["station"]})
    assert result.not_applicable[0].reason == "the layout has no builds of two cores"
