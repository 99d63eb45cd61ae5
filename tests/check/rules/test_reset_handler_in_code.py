"""Tests of the rule ``reset-handler-in-code``."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec
from refusals import refused
from small_device import (
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
from vector_fixtures import (
    aliased_builds,
    aliased_layout,
    alone,
    copied_layout,
    copied_sampler,
    of,
    viewed_builds,
    viewed_layout,
    without_record,
)
from verdict_builds import of as of_verdict

RULE = "reset-handler-in-code"
BEHIND = STATION + 0x130
"""First address behind the station's bytes, padded to the write unit."""


def _station(reset: int) -> bytes:
    return station_elf(words={1: reset})


def _in_device_space():
    """Flash in a part of the address space that the default memory map does not execute."""
    read = layout({"start = 0x1000_0000": "start = 0xA000_0000"})
    station = station_elf(base=0xA000_0000, boot_constant=0xA000_1000)
    return of(RULE, read=read, station=station, sampler=sampler_elf(base=0xA000_1000))


def _in_copied_function():
    """The station's reset handler in a function that its start-up code copies to RAM."""
    copied = SegmentSpec(STATION + 0x400, b"\1" * 16, run_address=STATION_RAM + 0x600)
    return of(RULE, station=station_elf(words={1: STATION_RAM + 0x601}, extra=(copied,)))


BREAKS = {
    "first address after its bytes": lambda: of(RULE, station=_station(BEHIND + 1)),
    "in the other core's code": lambda: of(RULE, station=_station(SAMPLER + 0x81)),
    "erased": lambda: of(RULE, station=_station(0xFFFF_FFFF)),
    "zero": lambda: of(RULE, station=_station(0)),
    "exception return value": lambda: of(RULE, station=_station(0xFFFF_FFF9)),
    "no Thumb bit": lambda: of(RULE, station=_station(STATION + 0x80)),
    "never executed": _in_device_space,
    "copied to RAM later": _in_copied_function,
    "copied sampler, stored address": lambda: of(
        RULE, read=copied_layout(), sampler=copied_sampler({1: SAMPLER + 0x81})
    ),
    "image alone": lambda: alone(RULE, station=_station(SAMPLER + 0x81)),
    "main, which copies nothing": lambda: of_verdict(RULE, "v7", "sampler-at-main"),
}
KEEPS = {
    "main, which copies its data": lambda: of_verdict(RULE, "v8", "sampler-at-main-copies"),
    "both builds": lambda: of(RULE),
    "last half-word of its bytes": lambda: of(RULE, station=_station(BEHIND - 1)),
    "image alone": lambda: alone(RULE),
    "image alone without record": lambda: alone(RULE, read=without_record()),
    "copied sampler": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
    "copied sampler, image alone": lambda: alone(RULE, read=copied_layout(), sampler=copied_sampler()),
    "linked for an alias": lambda: of(RULE, read=aliased_layout(), **aliased_builds()),
    "own view of flash": lambda: of(RULE, read=viewed_layout(), **viewed_builds()),
}


def test_the_finding_says_whose_code_it_is() -> None:
    """A reset handler in the other core's code names that build, its core and the function there."""
    (finding,) = findings(BREAKS["in the other core's code"]())
    assert finding.what == "core station would start outside the code of build station"
    assert finding.found == "0x1000_1081 (in build sampler of core sampler, reset_handler)"
    assert finding.expected == "inside 0x1000_0000..0x1000_012F"


def test_a_forgotten_runs_in() -> None:
    """A secondary's build that is linked for its core's RAM is told the key that the layout lacks."""
    (finding,) = findings(of(RULE, sampler=sampler_elf(run=RAM_OF_SAMPLER + 0x3400)))
    assert finding.next_step == (
        'build sampler is linked to run in area sampler-run: add runs_in = "sampler-run" to [build.sampler]'
    )
    constant = station_elf(boot_constant=RAM_OF_SAMPLER + 0x3400)
    copied = of("boot-constant-agrees", station=constant, sampler=sampler_elf(run=RAM_OF_SAMPLER + 0x3400))
    assert [each.next_step for each in findings(copied)] == [finding.next_step]
    handed = builds(sampler=sampler_elf(base=RAM_OF_SAMPLER + 0x3400))
    (loaded,) = findings(apply("load-addresses-in-flash", image=joined().image, handed=handed))
    assert loaded.next_step.startswith(finding.next_step)
    (problem,) = refused(lambda: joined(None, handed))
    assert problem.next_step.startswith(finding.next_step)


def test_the_middle_of_a_function_is_told_with_its_offset() -> None:
    """An address inside a function is given as the function and the bytes into it."""
    (finding,) = findings(of(RULE, station=_station(SAMPLER + 0x8D)))
    assert finding.found == "0x1000_108D (in build sampler of core sampler, other_handler + 4)"


def test_the_finding_gives_the_run_addresses_of_a_copied_build() -> None:
    """For a copied build the code is expected where it runs, and both addresses of its table are given."""
    (finding,) = findings(BREAKS["copied sampler, stored address"]())
    assert finding.expected == "inside 0x3000_3400..0x3000_3527"
    assert "vector table at 0x1000_1000 (for the core at 0x3000_3400)" in finding.where
    assert finding.next_step.startswith("link build sampler for 0x3000_3400, where it runs")


def test_a_handler_in_ram_gets_its_own_advice() -> None:
    """For a reset handler that start-up code has yet to copy, the finding says that RAM is empty at reset."""
    (finding,) = findings(BREAKS["copied to RAM later"]())
    assert finding.next_step.startswith("RAM holds no code at reset")


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("erased", "(erased)"),
        ("exception return value", "(an exception return value"),
        ("zero", "0x0000_0000"),
    ],
)
def test_special_values_are_told(case: str, words: str) -> None:
    """Erased, zero and exception return values are called so."""
    (finding,) = findings(BREAKS[case]())
    assert words in finding.found


def test_a_missing_build_is_not_checked() -> None:
    """Nothing is said of a build that is not in the image."""
    read = without_record()
    image = joined(read).image
    image.erase(read.layout.span_of("sampler-code"))
    result = apply(RULE, read, image, {})
    assert result.status == "not checked"
    assert result.not_checked[0].reason == "nothing of the build was found in the image"
