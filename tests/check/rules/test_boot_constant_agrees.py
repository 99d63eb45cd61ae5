"""Tests of the rule ``boot-constant-agrees``."""

from __future__ import annotations

import pytest
from small_device import (
    RAM,
    SAMPLER,
    STATION,
    TODAY,
    apply,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from vector_fixtures import (
    BOOT_SYMBOL,
    HIGH,
    LOGGER_CONTRACT,
    RUN,
    SAMPLER_CORE,
    aliased_builds,
    aliased_layout,
    alone,
    changed,
    copied_layout,
    copied_sampler,
    logger_elf,
    of,
    station_for_three,
    three_cores,
    viewed_builds,
    viewed_layout,
)
from verdict_builds import builds_of, layout_of, renamed

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

RULE = "boot-constant-agrees"
CONSTANT = STATION + 0x104
"""Where the sound station has its constant: behind 128 bytes of table, 128 of code, one word."""

TOLD = layout({'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nvector_offset = 0x800'})


def _three(station: bytes, contract: str = LOGGER_CONTRACT, **replace: str):
    return of(RULE, read=three_cores(contract, replace), station=station, more={"logger": logger_elf()})


BREAKS = {
    "header in front of the table": lambda: of(RULE, station=station_elf(boot_constant=SAMPLER + 0x40)),
    "the sampler moved": lambda: of(RULE, sampler=sampler_elf(base=SAMPLER + 0x800)),
    "the sampler moved, layout told": lambda: of(RULE, read=TOLD, sampler=sampler_elf(base=SAMPLER + 0x800)),
    "its own program": lambda: of(RULE, station=station_elf(boot_constant=STATION)),
    "erased": lambda: of(RULE, station=station_elf(boot_constant=0xFFFF_FFFF)),
    "changed after the join's back": lambda: changed(RULE, {CONSTANT: SAMPLER + 4}),
    "copied sampler, stored address": lambda: of(RULE, read=copied_layout(), sampler=copied_sampler()),
    "copied sampler, as the station sees it": lambda: of(
        RULE,
        read=copied_layout(),
        station=station_elf(boot_constant=RAM + 0x3400),
        sampler=copied_sampler(),
    ),
    "own view of flash": lambda: of(RULE, read=viewed_layout(), **viewed_builds(boot_constant=SAMPLER)),
    "one of two": lambda: _three(station_for_three(logger_at=HIGH + 8)),
    "neither of two": lambda: _three(station_for_three(SAMPLER + 8, HIGH + 8)),
    "both constants for one core": lambda: _three(station_for_three(logger_at=SAMPLER)),
    "end of flash": lambda: of(RULE, station=station_elf(boot_constant=0x1000_3FFC)),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "only the station given": lambda: alone(RULE, keep=("station",)),
    "copied sampler": lambda: of(
        RULE, read=copied_layout(), station=station_elf(boot_constant=RUN), sampler=copied_sampler()
    ),
    "linked for an alias": lambda: of(RULE, read=aliased_layout(), **aliased_builds()),
    "own view of flash": lambda: of(RULE, read=viewed_layout(), **viewed_builds()),
    "both moved, layout told": lambda: of(
        RULE,
        read=TOLD,
        station=station_elf(boot_constant=SAMPLER + 0x800),
        sampler=sampler_elf(base=SAMPLER + 0x800),
    ),
    "both moved, layout not told": lambda: of(
        RULE, station=station_elf(boot_constant=SAMPLER + 0x800), sampler=sampler_elf(base=SAMPLER + 0x800)
    ),
    "two secondaries": lambda: _three(station_for_three()),
    "two secondaries, crosswise": lambda: _three(station_for_three(HIGH, SAMPLER)),
    "two constants for one secondary": lambda: of(
        RULE,
        read=layout(add=LOGGER_CONTRACT),
        station=station_for_three(SAMPLER, SAMPLER),
    ),
    "two contracts name one constant": lambda: of(
        RULE, read=layout(add=f'\n[contract.again]\narea = "link"\n{BOOT_SYMBOL}')
    ),
}


def test_the_finding_shows_what_the_core_would_read() -> None:
    """A constant that is off by a header is told with what lies there and where the table is."""
    (finding,) = findings(BREAKS["header in front of the table"]())
    assert finding.what == "build station would release core sampler with the wrong vector table"
    assert "constant sampler_start_address of build station at 0x1000_0104" in finding.where
    assert finding.found == (
        "0x1000_1040, for core sampler in build sampler, where the image has 0x1000_1089 and 0x1000_1089"
    )
    assert finding.expected == "0x1000_1000, the vector table of build sampler"


def test_a_build_that_moved_is_found_where_it_lies() -> None:
    """If the station and the layout agree on a place where nothing lies, the table's real place is given."""
    (finding,) = findings(BREAKS["the sampler moved"]())
    assert finding.expected == "0x1000_1800, the vector table of build sampler"
    assert "count on 0x1000_1000, where there is nothing" in finding.next_step
    assert "change both to 0x1000_1800" in finding.next_step


def test_advice_fits_the_mistake() -> None:
    """If the sampler moved and the constant names a third place, the layout is not said to count on that."""
    moved = sampler_elf(base=SAMPLER + 0x800)
    (finding,) = findings(of(RULE, station=station_elf(boot_constant=SAMPLER + 0x400), sampler=moved))
    assert finding.next_step == ""
    assert finding.expected == "0x1000_1800, the vector table of build sampler"


def test_words_are_shown_up_to_the_end_of_flash() -> None:
    """The last two words of flash can be shown; one word further there is no second one."""
    (finding,) = findings(of(RULE, station=station_elf(boot_constant=0x1000_3FF8)))
    assert finding.found.endswith("where the image has 0xFFFF_FFFF and 0xFFFF_FFFF")
    (finding,) = findings(BREAKS["end of flash"]())
    assert finding.found.endswith("outside all areas")


def test_the_wrong_core_s_address_is_recognised() -> None:
    """The station's own address of a place that the sampler sees elsewhere gets its own advice."""
    (finding,) = findings(BREAKS["copied sampler, as the station sees it"]())
    assert finding.next_step == "core sampler sees this place at 0x3000_3400: build station with that address"


def test_two_constants_need_two_cores() -> None:
    """With two secondaries one table does not satisfy both constants, and the finding says so."""
    result = BREAKS["both constants for one core"]()
    (finding,) = findings(result)
    assert finding.what == "build station would release core sampler twice and another core never"
    assert finding.expected == "0x1000_3000, the vector table of build logger"
    assert len(result.holds) == 1
    assert finding.parties == ("station", "log", "logger")


def test_it_needs_the_station_s_elf_file() -> None:
    """Where the constant lies takes the symbol table of the build that defines it."""
    result = alone(RULE)
    assert result.status == "not checked"
    assert result.not_checked[0].reason == "needs the ELF file: station=FILE"


@pytest.mark.parametrize(
    ("name", "step"),
    [
        ("sampler_start_adress", 'did you mean "sampler_start_address"?'),
        ("where", "what nothing uses is dropped"),
    ],
)
def test_a_symbol_that_is_not_there_is_misspelt_or_dropped(name: str, step: str) -> None:
    """A name that the build does not have would go unchecked for ever; the next step says what it may be."""
    read = layout({'symbol = "sampler_start_address"': f'symbol = "{name}"'})
    (finding,) = findings(of(RULE, read=read))
    assert finding.what.startswith(f"build station does not define {name}")
    assert step in finding.next_step


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
@pytest.mark.parametrize(
    ("name", "status"), [("sampler_start_adress", "broken"), ("q", "not checked")], ids=["near", "left out"]
)
def test_a_constant_that_a_compiler_left_out_is_not_missed(name: str, status: str, family: str) -> None:
    """Where code is known to write the address, that is judged; a name nearly the same is misspelt all the same."""
    station = renamed("station", f"station-{family}", {"sampler_start_address": name})
    read, handed = layout_of(family), builds_of(family) | {"station": station}
    inspection = Inspection(read, join(read, handed).image, handed, disassemble=True)
    status_of = {each.rule.name: each.status for each in check(inspection, TODAY).results}
    assert (status_of[RULE], status_of["release-value-agrees"]) == (status, "holds")


def test_a_secondary_without_constant_is_named() -> None:
    """Secondaries for which no contract names a constant are not held to be right."""
    result = _three(station_for_three(), contract="")
    assert result.status == "not checked"
    assert [each.where for each in result.not_checked] == ["core logger"]
    result = of(RULE, read=layout({BOOT_SYMBOL: ""}))
    assert [each.where for each in result.not_checked] == ["core sampler"]
    assert "boot_symbol" in result.not_checked[0].reason


def test_what_a_constant_does_not_fit_is_not_offered_twice() -> None:
    """With one of two constants right, the other is expected to name the core that is left."""
    (finding,) = findings(BREAKS["one of two"]())
    assert finding.what == "build station would release core logger with the wrong vector table"
    assert finding.expected == "0x1000_3000, the vector table of build logger"
    both = findings(BREAKS["neither of two"]())
    assert [finding.expected for finding in both] == [
        "0x1000_1000, the vector table of build sampler or 0x1000_3000, the vector table of build logger"
    ] * 2


def test_a_secondary_without_code_leaves_it_open() -> None:
    """A secondary whose build lies in no code area has no vector table to compare with."""
    code = '"4 KiB", size = "4 KiB", purpose = "code"'
    result = of(RULE, read=layout({code: code.replace("code", "data")}))
    assert result.status == "not checked"
    assert result.not_checked[0].reason == "core sampler has no build in an area of purpose code"


def test_a_blank_table_leaves_it_open() -> None:
    """If nothing in its area looks like the secondary's table, a constant can be neither right nor wrong."""
    result = of(RULE, sampler=sampler_elf(words={0: 0, 1: 0}))
    assert result.status == "not checked"
    assert "the vector table of build sampler is blank" in result.not_checked[0].reason


def test_a_device_without_secondary_has_nothing_to_check() -> None:
    """With one core there is nobody to release."""
    result = apply(RULE, read=_single_core(), image=joined().image, handed={})
    assert result.status == "does not apply"
    assert (
        result.not_applicable[0].reason
        == "the layout has no secondary core, and no second build for the core of a constant"
    )


def _single_core():
    """The layout without the sampler."""
    return layout(
        {
            "views = { sampler = 0x3000_0000 }\n": "",
            f'[core.sampler]\n{SAMPLER_CORE}interrupts = 16\nram = ["sampler-ram", "sampler-run"]\n': "",
            "[core.sampler.release]\nvector_register = 0x5000_0000\ncontrol_register = 0x5000_0004\n"
            "release_mask = 0x1\nrelease_value = 0x1\n": "",
            '[build.sampler]\ncore = "sampler"\nstored_in = "sampler-code"\n': "",
        }
    )


def test_a_constant_outside_of_the_image_is_not_called_missing() -> None:
    """A variable in RAM is defined, but no byte of the image shows its value."""
    result = of(RULE, read=layout({'symbol = "sampler_start_address"': 'symbol = "link_frames"'}))
    assert not findings(result)
    assert "has no bytes in the image" in result.not_checked[0].reason
