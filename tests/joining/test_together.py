"""Putting builds together: bytes in another's area, and copies of one build inside another."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, elf
from gauge_builds import gauge, gauge_builds
from refusals import refused, whats
from small_device import (
    CODE,
    FLASH,
    RECORD,
    SAMPLER,
    SEAL,
    SPARE,
    STATION,
    apply,
    build,
    builds,
    findings,
    joined,
    sampler_elf,
    station_elf,
)
from vector_fixtures import aliased_layout, logger_elf, station_for_three, three_cores

from gemel.joining.pipeline import join

SAMPLER_BYTES = build("sampler", sampler_elf()).stored[0].data


def _station_with(*extra: SegmentSpec):
    return lambda: joined(None, builds(station_elf(extra=extra)))


@pytest.mark.parametrize(
    ("start", "what", "found"),
    [
        (SPARE, "build station falls into area spare (reserved)", "0x1000_2000..0x1000_2003"),
        (RECORD + 8, "build station falls into area record (record)", "0x1000_2808..0x1000_280B"),
        (SEAL, "build station falls into area seal (seal)", "0x1000_2C00..0x1000_2C03"),
        (FLASH + 0x3000, "build station is in no area", "0x1000_3000..0x1000_3003"),
        (
            SAMPLER + 0x800,
            "build station falls into area sampler-code of build sampler",
            "0x1000_1800..0x1000_1803",
        ),
    ],
)
def test_bytes_astray(start: int, what: str, found: str) -> None:
    """Bytes of the station anywhere but in its own area are told with whose area they are in."""
    (problem,) = refused(_station_with(SegmentSpec(start, b"abcd")))
    assert (problem.what, problem.found) == (what, found)
    assert problem.expected == "inside area station-code, 0x1000_0000..0x1000_0FFF"
    assert problem.where == "build station (station.elf, segment 2)"


def test_one_segment_over_several_areas_is_told_for_each() -> None:
    """A segment across two areas and a hole between areas has a problem for every one, all at once."""
    problems = refused(_station_with(SegmentSpec(SEAL - 2, b"\1" * 0x404)))
    assert whats(problems) == [
        "build station falls into area record (record)",
        "build station falls into area seal (seal)",
        "build station is in no area",
    ]


def test_a_secondary_in_the_primarys_area() -> None:
    """The exception for copies goes one way: a secondary's bytes in the primary's area are astray."""
    astray = SegmentSpec(STATION + 0xF00, b"\1" * 16)
    (problem,) = refused(lambda: joined(None, builds(sampler=sampler_elf(extra=(astray,)))))
    assert problem.what == "build sampler falls into area station-code of build station"


def test_a_secondary_in_another_secondarys_area() -> None:
    """A secondary's build holds no copy of another secondary's."""
    astray = SegmentSpec(0x1000_3800, b"\1" * 16)
    handed = {
        **builds(station_for_three(), sampler_elf(extra=(astray,))),
        "logger": build("logger", logger_elf()),
    }
    (problem,) = refused(lambda: joined(three_cores(), handed))
    assert problem.what == "build sampler falls into area high-code of build logger"


def test_a_build_that_outgrew_its_area() -> None:
    """Bytes that run over from the station's area into the sampler's are no copy, and are not called one."""
    (problem,) = refused(_station_with(SegmentSpec(STATION + 0xFF0, b"\1" * 32)))
    assert problem.what == "build station is 16 bytes too large for area station-code"
    assert problem.found == (
        "bytes up to 0x1000_100F; what is after the area falls into area sampler-code of build sampler"
    )


def test_sections_after_the_overrun_are_no_copies() -> None:
    """What follows in an area of another build, as initial data does, belongs to the build that grew."""
    grown = SegmentSpec(STATION + 0xFF0, b"\1" * 32), SegmentSpec(SAMPLER + 0x10, b"\2" * 32)
    (problem,) = refused(lambda: joined(None, builds(station_elf(extra=grown))))
    assert problem.what == "build station is 48 bytes too large for area station-code"


def test_all_that_runs_on_behind_an_area_is_told_once() -> None:
    """Sections behind each other, into one area after another, are one problem; what lies apart another."""
    extra = (
        SegmentSpec(SAMPLER + 0xFF0, b"\1" * 32),
        SegmentSpec(SPARE + 0x20, b"\2" * 0x7F0),
        SegmentSpec(FLASH + 0x3800, b"\3" * 4),
    )
    handed = builds(sampler=sampler_elf(extra=extra))
    problems = refused(lambda: joined(None, handed))
    assert whats(problems) == [
        "build sampler is 2,064 bytes too large for area sampler-code",
        "build sampler is in no area",
    ]
    assert "area spare (reserved) and falls into area record (record)" in problems[0].found
    found = findings(apply("builds-in-own-areas", image=joined().image, handed=handed))
    assert [finding.what for finding in found] == [
        "build sampler is 2,064 bytes too large for area sampler-code",
        "build sampler has bytes that belong to no area",
    ]


def test_an_elf_header_in_the_first_segment() -> None:
    """A segment that carries the file's own headers in front of the area is told as what it is."""
    headers = SegmentSpec(FLASH + 0x3000, b"\x7fELF" + bytes(48), flags="r")
    (problem,) = refused(_station_with(headers))
    assert "ELF file's own headers" in problem.next_step


def test_an_equal_copy_is_accepted_and_changes_nothing() -> None:
    """A copy of the sampler inside the station, whole or in part, gives the same image."""
    made = _station_with(SegmentSpec(SAMPLER, SAMPLER_BYTES))()
    assert made.image == joined().image
    part = _station_with(SegmentSpec(SAMPLER, SAMPLER_BYTES[:100]))()
    assert part.image == joined().image


def test_a_copy_padded_with_erased_bytes_is_equal() -> None:
    """Where the sampler handed in has no byte, the copy may hold the erased byte."""
    made = _station_with(SegmentSpec(SAMPLER, SAMPLER_BYTES.ljust(0x1000, b"\xff")))()
    assert made.image == joined().image


@pytest.mark.parametrize("offset", [0, 4, 0x90, len(SAMPLER_BYTES) - 1])
def test_a_stale_copy(offset: int) -> None:
    """The first byte in which the copy differs is named, with both bytes, both files and both build ids."""
    copy = bytearray(SAMPLER_BYTES)
    copy[offset] ^= 0x80
    (problem,) = refused(_station_with(SegmentSpec(SAMPLER, bytes(copy))))
    assert problem.what == "the copy of build sampler inside build station is not the sampler given"
    assert problem.where.endswith(f"first difference at 0x1000_{0x1000 + offset:04X}")
    assert problem.found.startswith(f"0x{copy[offset]:02X} in the copy, build id ")
    assert problem.expected == (
        f"0x{SAMPLER_BYTES[offset]:02X} as in sampler.elf, build id {bytes(range(100, 120)).hex()}"
    )


def test_bytes_in_the_midst_of_another_build_are_no_copy() -> None:
    """What begins after the other's vectors, such as settings of a device in a HEX file, is bytes at a wrong place."""
    (problem,) = refused(_station_with(SegmentSpec(SAMPLER + 0x60, b"\x55" * 28)))
    assert problem.what == "build station falls into area sampler-code of build sampler"
    assert problem.found == "0x1000_1060..0x1000_107B"


def test_a_stale_copy_names_both_build_ids() -> None:
    """A copy of an older sampler is told by its own build id note."""
    older = build("sampler", sampler_elf(code=CODE[::-1], build_id=bytes(16))).stored[0].data
    (problem,) = refused(_station_with(SegmentSpec(SAMPLER, older)))
    assert problem.found == f"0x{CODE[-1]:02X} in the copy, build id {bytes(16).hex()}"


def test_a_copy_without_a_build_id() -> None:
    """Where neither has a build id the problem says none."""
    none = build("sampler", sampler_elf(code=CODE[::-1], build_id=None)).stored[0].data
    handed = builds(station_elf(extra=(SegmentSpec(SAMPLER, none),)), sampler_elf(build_id=None))
    (problem,) = refused(lambda: joined(None, handed))
    assert problem.found.endswith("build id none")
    assert problem.expected.endswith("build id none")


def _linked_at(place: int, entry: int, *, ends_at_home: bool = True):
    """A station with vectors and code at ``place``, of which only the initial data is in its own area."""
    moved = build("station", station_elf(base=place)).stored[0]
    home = (SegmentSpec(STATION + 0x40, b"\2" * 16),) if ends_at_home else ()
    station = elf([SegmentSpec(place, moved.data), *home], entry=entry)
    return lambda: joined(None, builds(station))


def test_a_build_linked_for_the_place_of_another_is_no_copy() -> None:
    """What starts there is the build itself: told once, whatever the number of its segments."""
    (problem,) = refused(_linked_at(SAMPLER, SAMPLER + 0x81))
    assert problem.what == "builds station and sampler are linked for the same flash addresses"
    assert problem.found == "both store bytes in 0x1000_1000..0x1000_112B"
    assert problem.next_step.endswith("station=FILE, sampler=FILE")
    (problem,) = refused(_linked_at(SAMPLER, SAMPLER + 0x81, ends_at_home=False))
    assert problem.what == "build station has no byte in its own area"


def test_an_image_of_both_that_starts_in_the_second_holds_a_copy() -> None:
    """A file that was put together of two has the entry point of one, and a reset handler of its own."""
    older = bytes([SAMPLER_BYTES[0] ^ 4]) + SAMPLER_BYTES[1:]
    sound = build("station", station_elf()).stored[0].data
    both = elf([SegmentSpec(STATION, sound), SegmentSpec(SAMPLER, older)], entry=SAMPLER + 0x81)
    (problem,) = refused(lambda: joined(None, builds(both)))
    assert problem.what == "the copy of build sampler inside build station is not the sampler given"


def test_a_copy_is_not_compared_with_a_sampler_that_lies_elsewhere() -> None:
    """Where the sampler itself is misplaced that is the problem, not the copy."""
    handed = builds(
        station_elf(extra=(SegmentSpec(SAMPLER, SAMPLER_BYTES),)), sampler_elf(base=FLASH + 0x3000)
    )
    (problem,) = refused(lambda: joined(None, handed))
    assert problem.what == "build sampler has no byte in its own area"


def test_two_bytes_for_one_place() -> None:
    """Segments that reach one byte of flash at two addresses must agree on it."""
    read = aliased_layout()
    same = station_elf(extra=(SegmentSpec(0, build("station", station_elf()).stored[0].data[:8]),))
    assert joined(read, builds(same)).image.held_in(joined(read).image.spans()[0])
    other = station_elf(extra=(SegmentSpec(0x80, b"\xee"),))
    (problem,) = refused(lambda: joined(read, builds(other)))
    assert problem.what == "build station stores two different bytes at 0x1000_0080"
    assert "0xEE" in problem.found
    assert "0x01" in problem.found


def test_everything_wrong_is_told_at_once() -> None:
    """Problems of both builds, of placement and of what falls where, come in one error."""
    station = station_elf(extra=(SegmentSpec(0x7000_0000, b"a"), SegmentSpec(SPARE, b"b")))
    sampler = sampler_elf(extra=(SegmentSpec(STATION + 0xF00, b"c"), SegmentSpec(0x5000_0000, b"d")))
    problems = refused(lambda: joined(None, builds(station, sampler)))
    assert len(problems) == 4
    assert {problem.where.split(",")[0] for problem in problems} == {
        "build station (station.elf",
        "build sampler (sampler.elf",
    }


def test_the_tide_gauges_stale_copy() -> None:
    """The real station with an older sampler inside is refused with both build ids; the current one joins."""
    read, current = gauge(), gauge_builds()
    (problem,) = refused(lambda: join(read, gauge_builds(station="station-stale")))
    assert current["sampler"].build_id is not None
    assert problem.expected.endswith(current["sampler"].build_id.hex())
    assert current["sampler"].build_id.hex() not in problem.found
    made = join(read, gauge_builds(station="station-embedding"))
    assert made.placed["sampler"] == join(read, current).placed["sampler"]
