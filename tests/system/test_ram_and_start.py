"""The faulty builds of ``testdata/ram-and-start``: one fault, exactly the findings that belong to it."""

from __future__ import annotations

import pytest
from ram_and_start import BUILT, SOUND, SOUND_TOO, all_of, broken_in, layout_of

CLAIMS = {"ram-claims-in-own-areas": 1}
FAULTS: dict[str, dict[str, int]] = {
    # RAM: who takes what
    "sampler-log-in-station-ram": CLAIMS,
    "station-heap-over-sampler": CLAIMS,
    "copying-station-tides-in-copy": CLAIMS,
    "station-heap-in-link": {"ram-claims-in-own-areas": 1},
    "station-heap-into-stack": {"heap-room-free": 1},
    "station-heap-over-data": {"heap-room-free": 1},
    # stacks
    "sampler-stack-short": {"stack-has-room": 1},
    "sampler-stack-in-data": {"stack-has-room": 1},
    "station-stack-upside-down": {"stack-has-room": 1},
    "sampler-stack-in-link": CLAIMS,
    # what the start copies and clears
    "sampler-data-from-ram": {"start-copies-stored-data": 1},
    "sampler-data-cleared": {"start-clears-own-ram": 1},
    "station-ramcode-forgotten": {"initialised-data-copied": 1},
    "station-copy-over-sampler": {"start-copies-stored-data": 1},
    "sampler-copy-over-link": {"start-copies-stored-data": 1},
    "sampler-copy-over-readings": {"start-copies-stored-data": 1},
    "station-cleared-in-part": {"cleared-data-cleared-whole": 1},
    "sampler-cleared-in-part": {"cleared-data-cleared-whole": 1},
    # how the sampler is started
    "station-boot-constant": {"boot-constant-agrees": 1},
    # without the constant that the layout names
    "station-computes-vectors": {"boot-constant-agrees": 1},
    "copying-station-copy-short": {"copy-constants-agree": 1},
    "copying-station-copy-long": {"copy-constants-agree": 1},
    "copying-station-copy-to-elsewhere": {"copy-constants-agree": 1},
    "copying-station-copy-from-elsewhere": {"copy-constants-agree": 1},
    "sampler-few-vectors": {"vector-table-complete": 1},
    "sampler-even-handler": {"handlers-in-code": 1},
}
"""For each faulty build the rules that it breaks, with the number of findings; all others say nothing."""

BOOT_SYMBOL = 'boot_symbol = { build = "station", symbol = "sampler_start_address" }'
REGISTER = "control_register = 0x5002_1118"
FAULTY_LAYOUTS: dict[str, tuple[tuple[str, str], dict[str, int]]] = {
    "a register that the device does not have": (
        (REGISTER, "control_register = 0x5003_1118"),
        {"release-registers-in-device": 1},
    ),
    "RAM that was given to the other core": (
        (
            'station-ram = { memory = "ram", offset = 0, size = "8 KiB"',
            'station-ram = { memory = "ram", offset = 0, size = "4 KiB"',
        ),
        CLAIMS,
    ),
}
"""The sound builds under a layout with one mistake."""


@pytest.mark.parametrize("file", FAULTS)
def test_one_fault_gives_exactly_its_findings(file) -> None:
    """Of all rules only those that belong to the fault have findings, and as many as belong to it."""
    assert broken_in(all_of(file)) == FAULTS[file]


@pytest.mark.parametrize("file", [*(pair[0] for pair in SOUND.values()), *SOUND_TOO])
def test_the_sound_builds_break_no_rule(file) -> None:
    """The builds without a fault break no rule, and every rule of this table holds for them."""
    result = all_of(file)
    assert broken_in(result) == {}
    status = {each.rule.name: each.status for each in result.results}
    wanted = {rule for rules in FAULTS.values() for rule in rules} - {"copy-constants-agree"}
    assert {status[rule] for rule in wanted} == {"holds"}


@pytest.mark.parametrize("name", FAULTY_LAYOUTS)
def test_one_mistake_in_the_layout_gives_exactly_its_findings(name) -> None:
    """The sound pair under a wrong layout breaks the rules that belong to the mistake and no other."""
    change, expected = FAULTY_LAYOUTS[name]
    assert layout_of("in-place", change).layout
    assert broken_in(all_of("station", change)) == expected


def test_every_build_is_in_the_table() -> None:
    """No committed ELF file is left out of the table, and none in it is missing."""
    files = {path.stem for path in BUILT.glob("*.elf")}
    assert files == {*FAULTS, *SOUND_TOO, *(name for pair in SOUND.values() for name in pair)}


def test_an_address_that_is_computed_is_a_hint() -> None:
    """Where the layout names no constant, that nothing in the code holds the address is all that is said."""
    result = all_of("station-computes-vectors", (BOOT_SYMBOL, ""))
    assert broken_in(result) == {"primary-holds-vector-address": 1}
