"""Vector tables where a core has several builds, or copies its table to RAM; compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import (
    CODE,
    LAYOUT_WITH_LOADER,
    RELEASE,
    WITHOUT_CONTRACT,
    compiled,
    layout_for,
    pair,
    said_by,
)
from small_device import TODAY, findings
from verdict_builds import layout_of

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

RULE = "vector-register-own-table"
GO = """__attribute__((noinline, noreturn)) static void go(const volatile uint32_t *table)
{
    uint32_t stack = table[0], to = table[1];
    __asm__ volatile("msr msp, %0\\n bx %1" : : "r"(stack), "r"(to) : "memory");
    for (;;) { }
}
"""
SERVE = "void serve(void) { turns++; }"
SET = "*(volatile uint32_t *)0xE000ED08u = 0x10004000u;"
AT_APPLICATION = ("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = 0x10004000")
HANDLER = ("[11] = stop", "[11] = serve")
LOADER_OF_SAMPLER = (
    (
        'sampler-code = { memory = "flash", offset = "32 KiB", size = "32 KiB", purpose = "code" }',
        'sampler-code = { memory = "flash", offset = "36 KiB", size = "28 KiB", purpose = "code" }\n'
        'first-code = { memory = "flash", offset = "32 KiB", size = "4 KiB", purpose = "code" }',
    ),
    (WITHOUT_CONTRACT[0], '[build.first]\ncore = "sampler"\nstored_in = "first-code"\n'),
)


def _loader_and_application(
    compiler: str,
    family: str,
    level: str,
    *,
    sets: str = "",
    app_sets: str = "",
    handler: bool = True,
    goes: bool = True,
) -> list[str]:
    """What is found of a loader that goes on to an application, and of that."""
    main = f"{sets} go((const volatile uint32_t *)0x10004000);" if goes else sets
    before = GO if goes else ""
    app = (AT_APPLICATION, ("/*BEFORE*/", SERVE), ("/*MAIN*/", app_sets), *([HANDLER] if handler else []))
    builds = pair(
        station=compiled("station", compiler, family, level, (("/*BEFORE*/", before), ("/*MAIN*/", main))),
        app=compiled("station", compiler, family, level, app),
        sampler=compiled("sampler", compiler, family, level),
    )
    found = findings(said_by(RULE, layout_of(family, *LAYOUT_WITH_LOADER), builds))
    return [each.what for each in found]


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v7", "-Os"), ("clang", "v8", "-O2")])
def test_something_sets_the_table_of_an_application(compiler: str, family: str, level: str) -> None:
    """Interrupts of an application whose loader leaves VTOR alone go to the loader; either of them may set it."""
    how = (compiler, family, level)
    assert _loader_and_application(*how) == [
        "nothing sets the vector table of core station to that of build app"
    ]
    assert not _loader_and_application(*how, sets=SET)
    assert not _loader_and_application(*how, app_sets=SET)


@pytest.mark.parametrize("family", ["v6", "v7"])
def test_an_application_without_a_table_of_its_own_needs_none_set(family: str) -> None:
    """One with a default handler alone, one that no code goes on to, and a core that need not have the register."""
    assert not _loader_and_application("gcc", family, "-Os", handler=False)
    assert not _loader_and_application("gcc", family, "-Os", goes=False)
    assert not _loader_and_application("gcc", "v6", "-O2")


@pytest.mark.parametrize("at", [0x1000_4000, 0x1000_4200, 0x1000_0000, 0x2000_1000])
def test_the_table_of_the_non_secure_state_is_of_another_build(at: int) -> None:
    """The secure build sets VTOR_NS to the table of the non-secure one, or to RAM, and not to its own."""
    extension = (
        'interrupts = 8\nram = ["station-ram"]',
        'extensions = ["security"]\ninterrupts = 8\nram = ["station-ram"]',
    )
    edits = (("/*MAIN*/", f"*(volatile uint32_t *)0xE002ED08u = {at:#x}u;"),)
    builds = pair(
        station=compiled("station", "gcc", "v8", "-Os", edits),
        app=compiled("station", "gcc", "v8", "-Os", (AT_APPLICATION,)),
        sampler=compiled("sampler", "gcc", "v8", "-Os"),
    )
    found = findings(said_by(RULE, layout_of("v8", *LAYOUT_WITH_LOADER, extension), builds))
    assert ["VTOR_NS" in each.where for each in found] == [True] * (at in (0x1000_4200, 0x1000_0000))


@pytest.mark.parametrize(("words", "lacks"), [(24, 0), (20, 1), (0, 1)])
def test_all_words_of_a_table_in_ram_are_filled(words: int, lacks: int) -> None:
    """Those that nothing writes, in RAM that nothing clears, are missing as much as cleared ones."""
    table = '__attribute__((section(".table"), aligned(128))) uint32_t table[24];\nextern const void *const vectors[];'
    fill = f"for (int at = 0; at < {words}; at++) ((volatile uint32_t *)table)[at] = (uint32_t)vectors[at];"
    edits = (
        ("/*BEFORE*/", f"{table}\n{SERVE}"),
        ("/*MAIN*/", f"{fill} *(volatile uint32_t *)0xE000ED08u = (uint32_t)table;"),
        ("[14 ... 23] = stop", "[14 ... 22] = stop, [23] = serve"),
        ("  .bss (NOLOAD)", "  .table (NOLOAD) : ALIGN(128) { *(.table) } > ram\n  .bss (NOLOAD)"),
    )
    builds = pair(
        station=compiled("station", "gcc", "v7", "-Os", edits),
        sampler=compiled("sampler", "gcc", "v7", "-Os"),
    )
    assert len(findings(said_by(RULE, layout_for("v7"), builds))) == lacks


@pytest.mark.parametrize("held", [0x1000_8000, 0x1000_9000, 0x1000_A000])
def test_the_primary_starts_one_of_the_builds_of_a_secondary(held: int) -> None:
    """A secondary with a boot loader of its own is started by that, and not by the application's table."""
    edits = (("/*MAIN*/", f"IO(0x114) = {held:#x}u; IO(0x118) &= ~2u;"),)
    builds = pair(
        station=compiled("station", "gcc", "v7", "-Os", edits),
        first=compiled("sampler", "gcc", "v7", "-Os"),
        sampler=compiled(
            "sampler",
            "gcc",
            "v7",
            "-Os",
            (("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = 0x10009000"),),
        ),
    )
    found = findings(said_by("primary-holds-vector-address", layout_of("v7", *LOADER_OF_SAMPLER), builds))
    assert len(found) == (held == 0x1000_A000)


@pytest.mark.parametrize("purpose", ["code", "data"])
@pytest.mark.parametrize(("compiler", "family"), [("gcc", "v6"), ("clang", "v8")])
def test_a_build_of_tables_alone_is_data(compiler: str, family: str, purpose: str) -> None:
    """In an area of code it is one finding, which says so; in one of data it has no vectors."""
    tables = '__attribute__((used, section(".vectors"))) const unsigned short tides[200] = { 3, 9, 27, [199] = 4 };'
    with_data = 'app-code = { memory = "flash", offset = "16 KiB", size = "16 KiB", purpose = "code" }'
    read = layout_of(family, *LAYOUT_WITH_LOADER, (with_data, with_data.replace('"code"', f'"{purpose}"')))
    builds = pair(
        station=compiled("station", compiler, family, "-Os", (("/*MAIN*/", RELEASE),)),
        app=compiled("station", compiler, family, "-Os", (AT_APPLICATION, (CODE, tables))),
        sampler=compiled("sampler", compiler, family, "-Os"),
    )
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    found = [each.finding for rule in result.results for each in rule.findings]
    assert ["purpose" in each.next_step for each in found] == [True] * (purpose == "code")


HEADER = (".vectors : {", ".header : { LONG(0x53414D50) . += 0xFC; } > code .vectors : {")


@pytest.mark.parametrize(("compiler", "family"), [("gcc", "v6"), ("clang", "v8")])
@pytest.mark.parametrize(
    ("offset", "header", "said"),
    [
        (0, False, ""),
        (0x100, True, ""),
        (4, False, "4 bytes before it"),
        (0x100, False, "256 bytes before it"),
        (0x200, True, "256 bytes before it"),
        (0, True, "256 bytes after it"),
    ],
)
def test_a_place_of_the_table_that_the_layout_has_wrong(
    offset: int, header: bool, said: str, compiler: str, family: str
) -> None:
    """One finding says where the table is, before that place or after it, and what the key is to be."""
    table = 0x1000_8000 + 0x100 * header
    release = f"IO(0x114) = {table:#x}u; IO(0x118) &= ~2u;"
    of_sampler = ('stored_in = "sampler-code"', f'stored_in = "sampler-code"\nvector_offset = {offset:#x}')
    read = layout_for(family, of_sampler)
    builds = pair(
        station=compiled("station", compiler, family, "-Os", (("/*MAIN*/", release),)),
        sampler=compiled("sampler", compiler, family, "-Os", (HEADER,) if header else ()),
    )
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    found = [each.finding for rule in result.results for each in rule.findings]
    blank = "is not where core sampler looks for it"  # where erased bytes are
    assert [said in each.what or blank in each.what for each in found] == [True] * bool(said)
    assert all(f"vector_offset = {0x100 * header:#x}" in each.next_step for each in found)
