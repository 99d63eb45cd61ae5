"""Tests of the rule ``handlers-in-code``."""

from __future__ import annotations

from elf_writer import SegmentSpec
from small_device import (
    LINK,
    SAMPLER,
    SAMPLER_RAM,
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
from vector_fixtures import (
    SAMPLER_CORE,
    aliased_builds,
    aliased_layout,
    alone,
    application_elf,
    copied_layout,
    copied_sampler,
    hex_build,
    of,
    two_station_builds,
    viewed_builds,
    viewed_layout,
)

RULE = "handlers-in-code"
BEHIND = STATION + 0x130
"""First address behind the station's bytes, padded to the write unit."""

IN_RAM = STATION_RAM + 0x601
COPIED = SegmentSpec(STATION + 0x400, b"\1" * 16, run_address=STATION_RAM + 0x600)
"""A function that the station's start-up code copies to RAM."""

BOOT_ROM = '\n[memory.boot]\nkind = "rom"\nstart = 0x0002_0000\nsize = "4 KiB"\n'


def _station(words: dict[int, int], extra: tuple[SegmentSpec, ...] = ()) -> bytes:
    return station_elf(words=words, extra=extra)


BREAKS = {
    "erased interrupts": lambda: of(RULE, station=_station(dict.fromkeys(range(16, 32), 0xFFFF_FFFF))),
    "exception return value": lambda: of(RULE, station=_station({11: 0xFFFF_FFF9})),
    "lowest return value": lambda: of(RULE, station=_station({14: 0xFEFF_FFFE})),
    "one below the lowest return value": lambda: of(RULE, station=_station({14: 0xFEFF_FFFD})),
    "first address after its bytes": lambda: of(RULE, station=_station({20: BEHIND + 1})),
    "in the other core's code": lambda: of(RULE, station=_station({3: SAMPLER + 0x89})),
    "in no memory": lambda: of(RULE, station=_station({20: 0x9000_0001})),
    "in the other core's RAM": lambda: alone(RULE, station=_station({20: SAMPLER_RAM + 1})),
    "in RAM, nothing copied there": lambda: of(RULE, station=_station({20: STATION_RAM + 0x611}, (COPIED,))),
    "no Thumb bit": lambda: of(RULE, station=_station({15: STATION + 0x88, 16: STATION + 0x88})),
    "registers": lambda: of(RULE, station=_station({18: 0x5000_0001})),
    "first address never executed": lambda: of(RULE, station=_station({18: 0x4000_0001})),
    "external device space": lambda: of(RULE, station=_station({18: 0xA000_0001})),
    "many different values": lambda: of(
        RULE, station=_station({16 + n: STATION + 0x801 + 2 * n for n in range(12)})
    ),
    "all kinds at once": lambda: of(
        RULE,
        station=_station(
            {2: 0xFFFF_FFFF, 5: 0xFFFF_FFFD, 12: 0x4000_0001, 20: SAMPLER + 0x89, 30: STATION + 0x88}
        ),
    ),
    "image alone": lambda: alone(RULE, station=_station({3: SAMPLER + 0x89})),
    "Armv6-M SysTick": lambda: of(
        RULE,
        read=layout({SAMPLER_CORE: SAMPLER_CORE.replace("armv8-m.main", "armv6-m")}),
        sampler=sampler_elf(words={15: 0xFFFF_FFFF}),
    ),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "unused words are zero": lambda: of(
        RULE, station=_station(dict.fromkeys([*range(4, 7), *range(15, 32)], 0))
    ),
    "first halfword of its bytes": lambda: of(RULE, station=_station({20: STATION + 1})),
    "last halfword of its bytes": lambda: of(RULE, station=_station({20: BEHIND - 1})),
    "function copied to RAM": lambda: of(RULE, station=_station({20: IN_RAM}, (COPIED,))),
    "image alone": lambda: alone(RULE),
    "copied sampler": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
    "linked for an alias": lambda: of(RULE, read=aliased_layout(), **aliased_builds()),
    "own view of flash": lambda: of(RULE, read=viewed_layout(), **viewed_builds()),
    "handler in the core's other build": lambda: of(
        RULE, read=two_station_builds(), more={"application": application_elf({5: STATION + 0x89})}
    ),
    "words that Armv6-M reserves": lambda: of(
        RULE,
        read=layout({SAMPLER_CORE: SAMPLER_CORE.replace("armv8-m.main", "armv6-m")}),
        sampler=sampler_elf(words=dict.fromkeys([4, 5, 6, 7, 8, 9, 10, 12, 13], 0x600D_F00D)),
    ),
}


def test_many_alike_faults_are_one_finding() -> None:
    """Sixteen erased words are one finding that names them as a run and spans them."""
    (finding,) = findings(BREAKS["erased interrupts"]())
    assert finding.what == "build station has erased words among its handlers"
    assert "words 16..31 of" in finding.where
    assert finding.found == "0xFFFF_FFFF (erased)"
    assert finding.span is not None
    assert (finding.span.start, finding.span.size) == (STATION + 64, 64)


def test_each_kind_of_fault_is_a_finding_of_its_own() -> None:
    """Five different faults in one table are five findings."""
    whats = [finding.what for finding in findings(BREAKS["all kinds at once"]())]
    assert whats == [
        "build station has erased words among its handlers",
        "build station has exception return values among its handlers",
        "build station has handlers where nothing is executed",
        "build station has handlers outside the code of core station",
        "build station has handlers without the Thumb bit",
    ]


def test_different_values_are_listed_up_to_eight() -> None:
    """A finding lists eight of twelve different values and says how many are left."""
    (finding,) = findings(BREAKS["many different values"]())
    assert len(finding.lines) == 9
    assert finding.lines[-1] == "and 4 more values"
    assert finding.found.endswith("and 11 other values")


def test_two_values_are_both_listed() -> None:
    """Of two different values the finding gives one in its line and both below."""
    (finding,) = findings(of(RULE, station=_station({16: STATION + 0x801, 17: STATION + 0x803})))
    assert finding.found.endswith("and 1 other value")
    assert len(finding.lines) == 2


def test_the_finding_says_whose_code_it_is() -> None:
    """A handler in the other core's code is told with build, core and function, and names the exception."""
    (finding,) = findings(BREAKS["in the other core's code"]())
    assert finding.found == "0x1000_1089 (in build sampler of core sampler, other_handler)"
    assert "word 3 (HardFault)" in finding.where


def test_code_in_ram_takes_the_elf_file() -> None:
    """Whether a handler in the core's own RAM is copied there is not guessed from the image alone."""
    result = alone(RULE, station=_station({20: IN_RAM}, (COPIED,)))
    assert result.status == "not checked"
    assert result.not_checked[0].where == "build station, word 20 (interrupt 4)"
    assert "needs the ELF file of build station" in result.not_checked[0].reason
    station = _station({20: IN_RAM}, (COPIED,))
    image = joined(handed=builds(station)).image
    handed = {**builds(), "station": hex_build("station", station)}
    assert apply(RULE, image=image, handed=handed).status == "not checked"


def test_shared_ram_may_hold_code_too() -> None:
    """An area that no core owns is neither ruled out nor taken for granted."""
    assert alone(RULE, station=_station({20: LINK + 1})).status == "not checked"
    assert of(RULE, station=_station({20: LINK + 1})).status == "broken"


def test_code_in_rom_that_the_image_does_not_hold() -> None:
    """A handler in the device's own rom cannot be looked at, and the rule says so."""
    result = of(RULE, station=_station({11: 0x0002_0101}), read=layout(add=BOOT_ROM))
    assert result.status == "not checked"
    assert "rom boot" in result.not_checked[0].reason


def test_a_blank_table_is_not_checked() -> None:
    """The handlers of a blank table are another rule's business."""
    assert of(RULE, sampler=sampler_elf(words={0: 0, 1: 0})).status == "not checked"


def test_a_build_in_another_core_s_area_is_no_excuse() -> None:
    """A second build of the other core does not count as this core's code."""
    result = of(
        RULE,
        read=two_station_builds(),
        sampler=sampler_elf(words={5: 0x1000_3089}),
        more={"application": application_elf()},
    )
    assert [finding.parties for finding in findings(result)] == [("sampler", "sampler")]
