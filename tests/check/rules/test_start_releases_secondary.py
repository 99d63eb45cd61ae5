"""Tests of the rule ``start-releases-secondary``."""

from __future__ import annotations

import pytest
from compiled_pairs import LAYOUT_WITH_LOADER, compiled, layout_for, pair, said_by
from small_device import findings
from verdict_builds import layout_of, of

RULE = "start-releases-secondary"
KEYED = (("release_value = 0x0", "release_value = 0x0\nkey_mask = 0xFFFF_0000\nkey_value = 0x5AFE_0000"),)
BREAKS = {
    "no key": lambda: of(RULE, "v7", changes=KEYED),
    "by GCC": lambda: of(RULE, "v6", "station-release-value"),
    "by clang": lambda: of(RULE, "v7", "station-release-value"),
}
KEEPS = {"by GCC": lambda: of(RULE, "v8"), "by clang": lambda: of(RULE, "v7")}

VECTORS, CONTROL = "IO(0x114) = 0x10008000u;", "IO(0x118) &= ~2u;"
BEFORE = """
__attribute__((noinline)) void let_go(void) { IO(0x118) = 0; }
__attribute__((noinline)) void point(uint32_t at) { IO(0x114) = at; }
struct step { uint32_t at, value; };
const struct step script[2] = { { 0x40021118u, 2 }, { 0x40021118u, 0 } };
__attribute__((noinline)) void play(void)
{
    for (int i = 0; i < 2; i++) *(volatile uint32_t *)script[i].at = script[i].value;
}
"""
OTHER = 'if (IO(0x3fc) & 1u) { __asm volatile("msr msp, %0\\n bx %1" : : "r"(0x20003800), "r"(0x10008061)); } main();'
"""The second core starts with the table of the first, and goes on to its own build."""
FAULTS = {
    "erased flash": (f"IO(0x114) = 0x10009000u; {CONTROL}", "that is not its vector table"),
    "instructions": (f"IO(0x114) = 0x10000080u; {CONTROL}", "that is not its vector table"),
    "the primary's own table": (f"IO(0x114) = 0x10000000u; {CONTROL}", "that is not its vector table"),
    "a device": (f"IO(0x114) = 0x40021000u; {CONTROL}", "that is not its vector table"),
    "by a function": ("point(0x10008200u); let_go();", "that is not its vector table"),
    "once a device is ready": (
        f"while (!(IO(0x40) & 1u)) {{ }} IO(0x114) = 0x1000A000u; {CONTROL}",
        "that is not its vector table",
    ),
    "the mask": (f"{VECTORS} IO(0x118) = 2;", "no value that releases"),
    "the bit set": (f"{VECTORS} IO(0x118) |= 2u;", "no value that releases"),
    "the release first, by bits": (f"{CONTROL} {VECTORS}", "before it gives it its vectors"),
    "the release first, by functions": ("let_go(); point(0x10008000u);", "before it gives it its vectors"),
}
SOUND = {
    "as it is": f"{VECTORS} {CONTROL}",
    "held first": f"IO(0x118) = 2; {VECTORS} {CONTROL}",
    "held by a bit first": f"IO(0x118) |= 2u; {VECTORS} {CONTROL}",
    "held, and let go by a handler": f"IO(0x118) = 2; {VECTORS}",
    "twice, the second time as it is to be": f"{CONTROL} IO(0x118) |= 2u; {VECTORS} {CONTROL}",
    "registers in a table": f"{VECTORS} play();",
    "a register next to it that clears its bits": f"IO(0x118) = 2; {VECTORS} IO(0x120) = 2;",
    "the same as an alias in the next page": (
        f"IO(0x118) = 2; {VECTORS} *(volatile uint32_t *)0x40023118u = 2;"
    ),
    "a table in RAM": (
        "volatile uint32_t *table = (volatile uint32_t *)0x20004100u; table[0] = 0x20003800u; "
        f"table[1] = 0x10008061u; IO(0x114) = 0x20004100u; {CONTROL}"
    ),
    "a boot ROM that the layout lacks": f"IO(0x114) = 0x1FFF0000u; {CONTROL}",
    "the primary's table, which asks what core it is": f"IO(0x114) = 0x10000000u; {CONTROL}",
    "a number with the Thumb bit": f"IO(0x114) = 0x10008001u; {CONTROL}",
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O2"), ("clang", "v8", "-O1"))
HANDLER = (
    ("/*BEFORE*/", "__attribute__((used)) static void later(void) { IO(0x118) = 0; }"),
    ("[11] = stop", "[11] = later"),
)

COPIED = (
    ('stored_in = "sampler-code"\n', 'stored_in = "sampler-code"\nruns_in = "sampler-run"\n'),
    (
        "link = {",
        'sampler-run = { memory = "ram", offset = "20 KiB", size = "8 KiB", purpose = "code" }\nlink = {',
    ),
)
FOR_RAM = (
    (
        "code (rx) : ORIGIN = FLASH, LENGTH = 32K",
        "code (rwx) : ORIGIN = 0x20005000, LENGTH = 8K\n  held (r) : ORIGIN = FLASH, LENGTH = 32K",
    ),
    ("KEEP(*(.vectors)) } > code", "KEEP(*(.vectors)) } > code AT > held"),
    ("*(.rodata .rodata.*) . = ALIGN(4); } > code", "*(.rodata .rodata.*) . = ALIGN(4); } > code AT > held"),
    ("*(.ARM.exidx*) } > code", "*(.ARM.exidx*) } > code AT > held"),
    ("> ram AT > code", "> ram AT > held"),
    ("LOADADDR(.data);", "LOADADDR(.data) - FLASH + 0x20005000;"),
)
GIVEN = "IO(0x114) = 0x20005000u;"
COPY = (
    "{ const volatile WORD *from = (const volatile WORD *)0x10008000u; "
    "for (volatile WORD *to = (volatile WORD *)0x20005000u; to < (volatile WORD *)0x20005400u;) *to++ = FROM; }"
)


def _copy(word: str = "uint32_t", source: str = "*from++") -> str:
    return COPY.replace("WORD", word).replace("FROM", source)


DMA = (
    "IO(0x200) = 0x10008000u; IO(0x204) = 0x20005000u; IO(0x208) = 0x401u; while (IO(0x208) & 1u) { }",
    "static volatile uint32_t list[4]; list[0] = 0x10008000u; list[1] = 0x20005000u; list[2] = 0x400u; "
    "IO(0x200) = (uint32_t)list;",
)
UNCOPIED = {
    "before the copy": f"{GIVEN} {CONTROL} {_copy()}",
    "without a copy": f"{GIVEN} {CONTROL}",
    "before the copy, byte by byte": f"{GIVEN} {CONTROL} {_copy('uint8_t')}",
}
BROUGHT = {
    "after the copy": f"{_copy()} {GIVEN} {CONTROL}",
    "after the copy, byte by byte": f"{_copy('uint8_t')} {GIVEN} {CONTROL}",
    "held, copied, released": f"IO(0x118) |= 2u; {_copy()} {GIVEN} {CONTROL}",
    "by a device": f"{DMA[0]} {GIVEN} {CONTROL}",
    "by a device's descriptor": f"{DMA[1]} {GIVEN} {CONTROL}",
    "read from a device": f"{_copy(source='(from++, IO(0x40))')} {GIVEN} {CONTROL}",
    "decrypted": f"{_copy(source='*from++ ^ IO(0x40)')} {GIVEN} {CONTROL}",
}


def _station(main: str, compiler: str, family: str, level: str, *more: tuple[str, str]) -> bytes:
    edits = more or (("/*BEFORE*/", BEFORE),)
    return compiled("station", compiler, family, level, (*edits, ("/*MAIN*/", main)))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", FAULTS)
def test_what_start_up_code_does_at_every_start_is_an_error(
    case: str, compiler: str, family: str, level: str
) -> None:
    """One finding, and none of the rule that warns of the same."""
    main, words = FAULTS[case]
    builds = pair(
        station=_station(main, compiler, family, level), sampler=compiled("sampler", compiler, family, level)
    )
    (finding,) = findings(said_by(RULE, layout_for(family), builds))
    assert words in finding.what
    assert not findings(said_by("release-value-agrees", layout_for(family), builds))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", SOUND)
def test_what_may_be_right_is_no_error(case: str, compiler: str, family: str, level: str) -> None:
    """Other registers, handlers, tables and ROM code may do the rest."""
    more = HANDLER if "handler" in case else ()
    if "what core" in case:
        more = (("main();\n", f"{OTHER}\n"),)
    builds = pair(
        station=_station(SOUND[case], compiler, family, level, *more),
        sampler=compiled("sampler", compiler, family, level),
    )
    assert not findings(said_by(RULE, layout_for(family), builds))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", [*UNCOPIED, *BROUGHT])
def test_a_build_that_runs_in_ram_is_there_when_its_core_is_released(
    case: str, compiler: str, family: str, level: str
) -> None:
    """Copied by code or by a device, as it is or not; of what the run does not see nothing is said."""
    builds = pair(
        station=_station({**UNCOPIED, **BROUGHT}[case], compiler, family, level),
        sampler=compiled("sampler", compiler, family, level, FOR_RAM),
    )
    found = findings(said_by(RULE, layout_for(family, *COPIED), builds))
    assert [each.what for each in found] == [
        "build station releases core sampler before build sampler is copied"
    ] * (case in UNCOPIED)
    assert all(("a copy after it" in each.found) == ("before" in case) for each in found)


def test_both_values_are_shown() -> None:
    """The finding shows what is written and what would release the core."""
    (finding,) = findings(BREAKS["by GCC"]())
    assert finding.found.startswith("0x0000_0002")
    assert finding.expected == "0x0000_0000 in the bits 0x0000_0002"


def test_a_release_without_its_key_says_so() -> None:
    """The value is right: what is missing is the key."""
    (finding,) = findings(BREAKS["no key"]())
    assert finding.what == "build station writes the release of core sampler without its key"
    assert "the bits 0xFFFF_0000 are 0x0000_0000" in finding.found


APP = (("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = 0x10004000"),)
LOADER = "IO(0x118) = 2; ((void (*)(void))((const volatile uint32_t *)0x10004000u)[1])();"


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize(
    ("loader", "app", "count"),
    [(LOADER, f"{VECTORS} {CONTROL}", 0), (LOADER, f"{VECTORS} IO(0x118) = 2;", 2)],
    ids=["released by the application", "by none"],
)
def test_a_loader_may_hold_the_core_that_the_application_releases(
    loader: str, app: str, count: int, compiler: str, family: str, level: str
) -> None:
    """What one build of the primary writes counts for all."""
    builds = pair(
        station=_station(loader, compiler, family, level),
        sampler=compiled("sampler", compiler, family, level),
        app=compiled("station", compiler, family, level, (*APP, ("/*MAIN*/", app))),
    )
    read = layout_of(family, *LAYOUT_WITH_LOADER)
    found = [
        each
        for rule in (RULE, "release-value-agrees")
        for each in findings(said_by(rule, read, builds))
        if "no value that releases" in each.what
    ]
    assert len(found) == count
