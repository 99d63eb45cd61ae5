"""Sections of zeros, and of content, that a linker stores at the RAM addresses they run at, compiled."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY

from gemel.checking.runner import RulesApplied, check
from gemel.errors import JoinRefused
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

BEFORE = (
    '__attribute__((section(".heap"), used)) uint8_t heap_room[512];'
    '__attribute__((section(".boot_log"), used)) uint32_t boot_log[4] = { 1, 2, 3 };'
)
HEAP, SPACE = "  .heap : { *(.heap) } > ram\n", "  .heap : { . = . + 0x200; heap_end = .; } > ram\n"
LOG = "  .boot_log : { *(.boot_log) } > ram\n"
ZEROS = "section .heap stores nothing but zeros at an address of RAM: mark it (NOLOAD) in the linker script"
CONTENT = "section .boot_log is stored at the address it runs at: give it a load address in flash (AT>), or (NOLOAD)"
CASES = {
    "a heap that nothing is in": (SPACE, ZEROS),
    "a heap of an object": (HEAP, ZEROS),
    "content before a heap": (LOG + HEAP, f"{ZEROS}; {CONTENT}"),
    "content after a heap": (HEAP + LOG, f"{ZEROS}; {CONTENT}"),
    "content": (LOG, CONTENT),
}
FAMILIES = ("v6", "v7", "v8")


def _checked(family: str, sections: str) -> tuple[str, RulesApplied]:
    """What a join says to do, and what a check finds with the image of the sound builds."""
    use = (" turns += heap_room[3];" if HEAP in sections else "") + (
        " turns += boot_log[turns % 4];" if LOG in sections else ""
    )
    sound = (("/*BEFORE*/", BEFORE), ("/*MAIN*/", RELEASE))
    edits = (sound[0], ("/*MAIN*/", RELEASE + use), ("  /DISCARD/", f"{sections}  /DISCARD/"))
    sampler = compiled("sampler", "clang", family, "-Os")
    read = layout_for(family)
    image = join(
        read, pair(station=compiled("station", "clang", family, "-Os", sound), sampler=sampler)
    ).image
    builds = pair(station=compiled("station", "clang", family, "-Os", edits), sampler=sampler)
    with pytest.raises(JoinRefused) as refused:
        join(read, builds)
    result = check(Inspection(read, image, builds, disassemble=True), TODAY)
    return refused.value.problems[0].next_step, result


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("case", CASES)
def test_what_lld_stores_in_ram_is_named(case: str, family: str) -> None:
    """Join and check have one step, for zeros and for content; what follows from it is no finding."""
    text, step = CASES[case]
    at_join, result = _checked(family, text)
    assert at_join == step
    found = [finding for rule, finding in result.open_findings("error") if rule.name != "image-equals-builds"]
    assert [each.next_step for each in found] == [step]


@pytest.mark.parametrize("family", FAMILIES)
def test_content_that_is_stored_in_flash_after_cleared_data(family: str) -> None:
    """Its linker stores zeros for the cleared data in front of it; NOLOAD would take its content."""
    edits = (
        ("/*BEFORE*/", BEFORE),
        ("/*MAIN*/", f"{RELEASE} turns += boot_log[turns % 4];"),
        (".bss (NOLOAD) :", ".bss :"),
        ("bss_end = .; } > ram", "bss_end = .; } > ram AT > code"),
        ("  /DISCARD/", f"{LOG.replace('> ram', '> ram AT > code')}  /DISCARD/"),
    )
    builds = pair(
        station=compiled("station", "clang", family, "-Os", edits),
        sampler=compiled("sampler", "clang", family, "-Os"),
    )
    read = layout_for(family)
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    steps = {rule.name: finding.next_step for rule, finding in result.open_findings("error")}
    step = "section .boot_log, after it, has the linker store them: place it before what is cleared"
    assert steps["start-clears-own-ram"] == f"{step} in the linker script"


@pytest.mark.parametrize("family", ["v6", "v8"])
def test_zeros_of_an_orphan_that_ld_stores_in_flash(family: str) -> None:
    """GNU ld places a section that no line of the script names after the data, with its zeros in flash."""
    edits = (
        ("/*BEFORE*/", '__attribute__((section(".pool"), used)) volatile uint8_t pool[512];'),
        ("/*MAIN*/", f"{RELEASE} pool[turns % 8] = 1;"),
    )
    builds = pair(
        station=compiled("station", "gcc", family, "-Os", edits),
        sampler=compiled("sampler", "gcc", family, "-Os"),
    )
    read = layout_for(family)
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    ((rule, finding),) = result.open_findings("warning")
    assert (rule.name, rule.severity) == ("initialised-data-copied", "warning")
    assert "section .pool" in finding.found
    assert "(NOLOAD)" in finding.next_step
