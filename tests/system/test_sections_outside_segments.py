"""A section that a change of its load address takes out of its segment, in compiled builds."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY, findings

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.outcomes import Finding

PAGES = "-Wl,-z,max-page-size=4096"
WITH = (("gcc", "v6", f"-Os {PAGES}"), ("gcc", "v8", f"-O2 {PAGES}"))
OBJCOPY = "arm-none-eabi-objcopy"
EDITS = (
    ("/*BEFORE*/", "volatile uint32_t values[6] = { 1, 2, 3, 4, 5, 6 }, ring[24];"),
    ("/*MAIN*/", f"{RELEASE} for (int i = 0; i < 6; i++) ring[i] = values[i];"),
)
MOVED = {"up": "--change-section-lma .data+0x40", "up by a little": "--change-section-lma .data+0x20"}
SOUND = {
    "copied": "",
    "without debug information": "--strip-debug",
    "to an address in its segment": "--change-section-lma .data+0",
    "of another name": "--rename-section .data=.initialised",
}


def _said(by: str, compiler: str, family: str, level: str) -> dict[str, Finding]:
    builds = pair(
        station=compiled("station", compiler, family, level, EDITS, f"{OBJCOPY} {by}"),
        sampler=compiled("sampler", compiler, family, level),
    )
    read = layout_for(family)
    results = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY).results
    return {each.rule.name: found for each in results for found in findings(each)}


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", MOVED)
def test_the_section_is_named(case: str, compiler: str, family: str, level: str) -> None:
    """What is there instead is zeros, which start-up code clears: that is not the cause."""
    said = _said(MOVED[case], compiler, family, level)
    assert list(said) == ["start-clears-own-ram"]
    found = said["start-clears-own-ram"]
    assert "section .data" in found.what
    assert "--change-section-lma" in found.next_step


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", SOUND)
def test_other_changes_of_a_file(case: str, compiler: str, family: str, level: str) -> None:
    """They leave the sections in their segments."""
    assert not _said(SOUND[case], compiler, family, level)


def _orphan(name: str, words: int) -> str:
    return (
        f'__asm__(".section .noinit,\\"aw\\",%nobits\\n.balign 4\\n.global {name}\\n.type {name},%object\\n'
        f'{name}: .space {4 * words}\\n.size {name}, {4 * words}\\n.previous"); extern uint32_t {name}[];'
    )


LINK = '__attribute__((section(".shared"), used)) uint32_t link_words[16], replies[8], answers[16];'
PLACED = ("  /DISCARD/", "  .shared (NOLOAD) : { *(.shared) } > link\n  /DISCARD/")


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
@pytest.mark.parametrize(
    ("words", "rule"), [(20, "shared-symbols-agree"), (250, "ram-claims-in-own-areas"), (8, "")]
)
def test_an_orphan_in_shared_ram_is_named(words: int, rule: str, family: str) -> None:
    """Lld puts what no rule of the script places after the shared section; of the size of another, it may be a view."""
    own = LINK.split(",")[0] + ", used)) uint32_t link_words[16];" + _orphan("kept_words", words)
    edits = (("/*BEFORE*/", own), ("/*MAIN*/", f"{RELEASE} kept_words[turns % 8] = link_words[2];"), PLACED)
    longer = ("LENGTH = 1K\n", "LENGTH = 2K\n")
    station = compiled("station", "clang", family, "-Os", (*edits, longer))
    shared = (("/*BEFORE*/", LINK), ("/*MAIN*/", "replies[1] = answers[2] = link_words[3];"), PLACED)
    builds = pair(station=station, sampler=compiled("sampler", "clang", family, "-Os", shared))
    read = layout_for(family)
    results = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY).results
    said = {each.rule.name: str(found) for each in results for found in findings(each)}
    assert list(said) == ([rule] if rule else [])
    assert all(".noinit" in text for text in said.values())
