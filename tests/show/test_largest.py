"""The largest symbols of each area, against what binutils lists, and RAM told by symbols alone."""

from __future__ import annotations

import subprocess
from types import SimpleNamespace

import pytest
from elf_writer import SymbolSpec
from ram_and_start import build_of, subject_of
from shown_images import gauge
from small_device import RAM_OF_SAMPLER, SAMPLER, STATION, STATION_RAM, builds, joined, layout, station_elf
from tide_gauge import BUILT, area_span, read_layout
from tools import required_tool

from gemel.inspection.inspection import Inspection
from gemel.show.as_text.memories import _largest_lines
from gemel.show.facts.contents import AreaUse, Contents, SymbolUse
from gemel.show.facts.gather import contents_of
from gemel.show.facts.memory_uses import MAX_SHOWN
from gemel.spans import Span


def _areas(contents: Contents) -> dict[str, AreaUse]:
    return {area.name: area for memory in contents.memories for area in memory.areas if area.name}


def _listed(arrangement: str, name: str) -> list[tuple[int, int, str]]:
    """Address, size and name of each sized symbol by ``nm`` (binutils), largest first."""
    printed = subprocess.run(
        [required_tool("arm-none-eabi-nm"), "-S", "--defined-only", str(BUILT / arrangement / f"{name}.elf")],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    rows = [line.split() for line in printed.splitlines()]
    sized = [(int(row[0], 16) & ~1, int(row[1], 16), row[3]) for row in rows if len(row) == 4]
    return sorted(sized, key=lambda row: (-row[1], row[0], row[2]))


@pytest.mark.parametrize(
    ("build", "area"), [("station", "station-code"), ("station", "station-ram"), ("sampler", "sampler-ram")]
)
def test_largest_are_those_that_nm_lists(build, area) -> None:
    """The symbols told of an area, their places and sizes are the largest that ``nm`` has in it."""
    start, size = area_span(read_layout("in-place"), area)
    inside = [row for row in _listed("in-place", build) if start <= row[0] < start + size][:MAX_SHOWN]
    told = _areas(gauge("in-place"))[area].largest
    assert [(use.span.start, use.size, use.name) for use in told] == inside
    assert {use.build for use in told} == {build}


def test_a_copied_build_is_told_where_it_is_stored_and_where_it_runs() -> None:
    """Its functions take the same bytes of flash and of RAM, as far apart as its code is moved."""
    areas = _areas(gauge("copied"))
    stored, runs = areas["sampler-code"].largest, areas["sampler-run"].largest
    assert [(use.name, use.size) for use in stored] == [(use.name, use.size) for use in runs]
    assert len(stored) == MAX_SHOWN
    distance = areas["sampler-run"].span.start - areas["sampler-code"].span.start
    assert [use.span.moved(distance) for use in stored] == [use.span for use in runs]


def test_both_builds_are_told_of_what_they_share() -> None:
    """Of a shared area each build's symbols are told, so that they can be compared."""
    link = _areas(gauge("in-place"))["link"].largest
    assert [(use.name, use.build, use.size) for use in link] == [
        ("link_frames", "sampler", 156),
        ("link_frames", "station", 156),
    ]


def test_several_names_for_the_same_bytes_are_told_once() -> None:
    """Of aliases the global name counts, of these the first; symbols without a size are not told."""
    at = STATION_RAM + 0x40
    symbols = (
        SymbolSpec("weak_level", at, 64, "object", "weak"),
        SymbolSpec("level", at, 64, "object"),
        SymbolSpec("depth", at, 64, "object"),
        SymbolSpec("edge", at + 64, 0, "object"),
    )
    handed = builds(station=station_elf(symbols=symbols))
    contents = contents_of(Inspection(layout(), joined(handed=handed).image, handed), "small.hex")
    told = _areas(contents)["station-ram"].largest
    assert [(use.name, use.span) for use in told] == [("depth", Span(at, 64))]


def test_without_builds_there_is_nothing_to_tell() -> None:
    """An image alone has no symbols."""
    assert all(not area.largest for area in _areas(gauge("in-place", with_builds=False)).values())


def test_heap_and_stack_that_take_no_segment_are_used_ram() -> None:
    """RAM that only symbols set aside counts as used: 296 bytes of data, 1 KiB of heap, 1 KiB of stack."""
    subject = subject_of("station")
    areas = _areas(contents_of(subject, "station.hex"))
    sections = {each.name: each.span.size for each in build_of("station", "station").sections.all()}
    assert areas["station-ram"].used == sum(
        sections[name] for name in (".ramcode", ".data", ".bss", ".heap", ".stack")
    )


def test_a_core_that_sees_ram_elsewhere_is_told_in_plain_addresses() -> None:
    """The sampler's symbol at its own address of the shared area lies where the station's does."""
    handed = builds()
    contents = contents_of(Inspection(layout(), joined(handed=handed).image, handed), "small.hex")
    link = _areas(contents)["link"]
    assert {use.span for use in link.largest} == {Span(link.span.start, 64)}
    assert link.span.start != RAM_OF_SAMPLER
    assert _areas(contents)["sampler-code"].largest[0].span.start >= SAMPLER > STATION


def test_names_of_cpp_are_spelled_as_in_the_source() -> None:
    """In text; the data keeps the symbol."""
    use = SymbolUse("_ZN4tide4linkE", "station", Span(0x3800_0000, 40), 40)
    memory = SimpleNamespace(areas=[SimpleNamespace(name="station-ram", largest=(use,))])
    _, line = _largest_lines(memory, 80)
    assert "".join(piece.text for piece in line) == "  station-ram: tide::link 40 bytes"
