"""How the primary copies the sampler to RAM, as its start-up code runs; compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import FOR_RAM, RUNS_IN_RAM, compiled, layout_for, pair, said_by
from small_device import TODAY, findings

from gemel.checking.findings.brought_builds import MIN_COPY
from gemel.checking.runner import check
from gemel.draft.document import document
from gemel.draft.drafting import draft
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import read_layout

COPY = "for (int at = 0; at < SIZE; at += sizeof(UNIT)) "
COPY += "*(volatile UNIT *)(TO + at) = *(const volatile UNIT *)(FROM + at);"
RELEASE = "IO(0x114) = 0x20005000u; IO(0x118) &= ~2u;"
PASSED = "for (int at = 0; at < 16; at++) ((volatile uint32_t *)0x20005F00u)[at] = given[at];"
GIVEN = "static const volatile uint32_t given[16] = { 3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8, 9, 7, 9, 3 };"
SAID = "start-up code of build station copies build sampler "


def _said(
    compiler: str, family: str, level: str, *copies: tuple[int, int, int, str], more: str = ""
) -> list[str]:
    code = ""
    for start, to, size, unit in copies:
        values = {"FROM": f"{start:#x}u", "TO": f"{to:#x}u", "SIZE": f"{size:#x}", "UNIT": unit}
        text = COPY
        for name, value in values.items():
            text = text.replace(name, value)
        code += text
    builds = pair(
        station=compiled(
            "station",
            compiler,
            family,
            level,
            (("/*BEFORE*/", GIVEN), ("/*MAIN*/", f"{code} {more} {RELEASE}")),
        ),
        sampler=compiled("sampler", compiler, family, level, FOR_RAM),
    )
    found = findings(said_by("start-copies-stored-data", layout_for(family, *RUNS_IN_RAM), builds))
    return [each.what.removeprefix(SAID) for each in found]


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v6", "-Os"), ("clang", "v8", "-O2")])
@pytest.mark.parametrize(
    ("copies", "said"),
    [
        ([(0x1000_8000, 0x2000_5080, 0x400, "uint32_t")], ["to another place than it runs at"]),
        ([(0x1000_8400, 0x2000_5000, 0x400, "uint32_t")], ["from where it is not stored"]),
        ([(0x1000_8000, 0x2000_5000, 0x40, "uint16_t")], ["in part"]),
        ([(0x1000_8000, 0x2000_5000, 0x1000, "uint32_t")], []),
        ([(0x1000_8000, 0x2000_5000, 0x200, "uint8_t")], []),
        ([(0x1000_8000, 0x2000_5000, 0x40, "uint32_t"), (0x1000_8040, 0x2000_5040, 0x1C0, "uint32_t")], []),
        ([(0x1000_8000, 0x2000_0800, 0x200, "uint32_t"), (0x1000_8000, 0x2000_5000, 0x200, "uint32_t")], []),
    ],
    ids=["goal", "source", "short", "the area", "bytes", "two pieces", "looked at first"],
)
def test_a_build_is_copied_as_it_is_stored(
    copies: list[tuple[int, int, int, str]], said: list[str], compiler: str, family: str, level: str
) -> None:
    """Another place, another source and an end too early are one finding each."""
    assert _said(compiler, family, level, *copies) == said


def test_words_that_are_passed_to_a_copied_build_are_no_copy_of_it() -> None:
    """A table of the primary's own, put where the sampler looks for it."""
    assert _said("gcc", "v7", "-Os", (0x1000_8000, 0x2000_5000, 0x200, "uint32_t"), more=PASSED) == []


@pytest.mark.parametrize("size", [MIN_COPY - 4, MIN_COPY])
def test_a_few_words_are_no_copy_of_a_build(size: int) -> None:
    """Fewer bytes than MIN_COPY, from elsewhere to where the build starts, may be words that are passed to it."""
    said = _said("gcc", "v6", "-Os", (0x1000_0000, 0x2000_5000, size, "uint32_t"))
    assert said == ["from where it is not stored"] * (size >= MIN_COPY)


MEMORIES = (
    "code (rx) : ORIGIN = FLASH, LENGTH = 32K",
    "code (rx) : ORIGIN = FLASH, LENGTH = 32K\n  block (rwx) : ORIGIN = 0x20005000, LENGTH = 4K",
)
IN_FLASH = (
    MEMORIES,
    *(
        (f"{end}}} > code", f"{end}}} > block AT > code")
        for end in ("KEEP(*(.vectors)) ", "*(.rodata .rodata.*) . = ALIGN(4); ", "*(.ARM.exidx*) ")
    ),
)
"""A script for a build that runs in RAM and has load addresses in flash, those of its data next to the others."""

FROM_BLOCK = "data_load = LOADADDR(.data) - LOADADDR(.vectors) + ADDR(.vectors)"
LOAD = ("data_load = LOADADDR(.data)", FROM_BLOCK)
APART = ((".data : {", ".data : AT(0x10008600) {"), ("} > ram AT > code", "} > ram"))
OWN_DATA = (
    ("/*BEFORE*/", "volatile uint32_t values[9] = { 1, 2, 3, 4, 5, 6 }, sums[3];"),
    ("/*MAIN*/", "sums[1] += values[turns % 9];"),
)
IN_PLACE = (
    *IN_FLASH,
    ("volatile uint32_t turns, level = 7, mark;", "static const volatile uint32_t curve[4] = { 1, 2, 3 };"),
    ("turns += level", "sums[2] += values[2]"),
    ("turns % 9", "curve[1] & 7"),
    (" *(.rodata .rodata.*)", " . = ALIGN(4); _etext = .; *(.rodata .rodata.*)"),
    ("data_start = .;", "_sdata = .;"),
    ("data_end = .;", "_edata = .;"),
    ("} > ram AT > code", "} > block AT > code"),
    ("  data_load = LOADADDR(.data);\n", ""),
    ("    const volatile uint32_t *from = data_load;\n", ""),
    ("    for (volatile uint32_t *at = data_start; at < data_end;) *at++ = *from++;\n", ""),
)
"""Data that the copy brings where it is used; the usual symbols are in the script, at objects of one function."""

MOVES_ITS_DATA = {
    "data in place": (IN_PLACE, ""),
    "all load addresses in RAM": (FOR_RAM, ""),
    "data after the code in flash": ((*IN_FLASH, LOAD), ""),
    "data from flash itself": (IN_FLASH, ""),
    "data apart, from flash itself": ((*IN_FLASH, *APART), ""),
    "data apart, from what was copied": ((*IN_FLASH, *APART, LOAD), f"{SAID}in part"),
    "data 16 bytes on": (
        (*IN_FLASH, ("data_load = LOADADDR(.data)", f"{FROM_BLOCK} + 16")),
        "start-up code of build sampler copies its data from where it is not stored",
    ),
}


@pytest.mark.parametrize(
    ("compiler", "family", "level"),
    [("gcc", "v6", "-Os"), ("clang", "v8", "-O2"), ("gcc", "v7", "-O1")],
)
@pytest.mark.parametrize("case", MOVES_ITS_DATA)
def test_a_copied_build_that_moves_its_data(case: str, compiler: str, family: str, level: str) -> None:
    """Load addresses next to each other are enough: its start-up code moves the data from the copy, or from flash."""
    script, said = MOVES_ITS_DATA[case]
    values = {"FROM": "0x10008000u", "TO": "0x20005000u", "SIZE": "0x600", "UNIT": "uint32_t"}
    code = COPY
    for name, value in values.items():
        code = code.replace(name, value)
    builds = pair(
        station=compiled("station", compiler, family, level, (("/*MAIN*/", f"{code} {RELEASE}"),)),
        sampler=compiled("sampler", compiler, family, level, (*OWN_DATA, *script)),
    )
    read = layout_for(family, *RUNS_IN_RAM)
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    assert [finding.what for each in result.results for finding in findings(each)] == ([said] if said else [])


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v6", "-Os"), ("clang", "v8", "-O2")])
def test_a_draft_has_room_for_the_initial_values_of_a_copied_build(
    compiler: str, family: str, level: str
) -> None:
    """They are copied with its code, from where the linker script stores both."""
    stored = (
        "code (rx) : ORIGIN = FLASH, LENGTH = 32K",
        "code (rx) : ORIGIN = 0x20005000, LENGTH = 4K\n  store (r) : ORIGIN = FLASH, LENGTH = 32K",
    )
    edits = (
        stored,
        ("> code\n  .text", "> code AT > store\n  .text"),
        ("> code\n  .ARM", "> code AT > store\n  .ARM"),
        ("*(.ARM.exidx*) } > code", "*(.ARM.exidx*) } > code AT > store"),
        ("> ram AT > code", "> ram AT > store"),
        ("/*BEFORE*/", "volatile uint32_t values[300] = { 1, 2, 3, [299] = 4 };"),
        ("/*MAIN*/", "level = values[turns % 300];"),
    )
    copy = COPY.replace("FROM", "0x10008000u").replace("TO", "0x20005000u").replace("UNIT", "uint32_t")
    copies = (("/*MAIN*/", copy.replace("SIZE", "0x1000") + RELEASE),)
    builds = pair(
        station=compiled("station", compiler, family, level, copies),
        sampler=compiled("sampler", compiler, family, level, edits),
    )
    read = read_layout(document(draft(builds, {}), {}).encode(), "draft.toml")
    image = join(read, builds).image
    result = check(Inspection(read, image, builds, disassemble=True), TODAY)
    assert [each.rule.name for each in result.results if each.findings] == []


def test_a_copied_build_that_is_linked_for_flash_is_one_error() -> None:
    """Its handlers are where it is stored, and so is all else."""
    build = ("gcc", "v6", "-Os")
    read = layout_for("v6", *RUNS_IN_RAM)
    station = compiled("station", *build, (("/*MAIN*/", RELEASE),))
    builds = pair(station=station, sampler=compiled("sampler", *build))
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    broken = [each.rule.name for each in result.results if each.status == "broken"]
    assert broken == ["copied-build-in-run-area"]
