"""``cleared-data-cleared-whole``: sections of cleared data that the start clears in part."""

from __future__ import annotations

import struct

import pytest
import verdict_builds
from compiled_sampler import compiled_sampler
from elf_writer import SegmentSpec, SymbolSpec
from gauge_rules import on_the_gauge
from ram_and_start import of
from small_device import LINK, STATION_RAM, TODAY, apply, builds, findings, station_elf
from start_tables import DATA, TABLE_AT, label

from gemel.checking.registry import rule_named
from gemel.checking.rules.cleared_data_cleared_whole import ROUNDED
from gemel.checking.runner import RuleResult, check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.outcomes import Finding

RULE = "cleared-data-cleared-whole"
BSS_AT = STATION_RAM + 64


def _object(name, address, size):
    return SymbolSpec(name, address, size, kind="object")


READINGS = _object("readings", BSS_AT, 0x80)
TIDES = _object("tides", BSS_AT + 0x80, 0x80)
LATE_TIDES = _object("tides", BSS_AT + 0xC0, 0x40)


def _section(name=".bss", at=BSS_AT, size=0x100):
    return SegmentSpec(at, b"", memory_size=size, flags="rw", section_name=name)


BSS = _section()


def _cleared(start, end, *symbols, sections=(BSS,)):
    """The small device whose station clears ``start`` up to ``end``, with these sections and symbols."""
    ends = (label("__bss_start__", start), label("__bss_end__", end))
    elf = station_elf(ram=None, extra=(DATA, *sections), symbols=(*ends, *symbols))
    return apply(RULE, None, None, builds(station=elf))


def _half(*symbols, name=".bss"):
    """Half of a section, with ``readings`` in the half that is cleared."""
    return _cleared(BSS_AT, BSS_AT + 0x80, READINGS, *symbols, sections=(_section(name),))


AT_ZERO = ("start = 0x1000_0000", "start = 0x0000_0000")


BREAKS = {
    "by a table": lambda: of(RULE, "station-cleared-in-part"),
    "by symbols": lambda: of(RULE, "sampler-cleared-in-part"),
    "a whole object": lambda: _half(TIDES),
    "the last word": lambda: _cleared(BSS_AT, BSS_AT + 0xFC, READINGS, TIDES),
    "the end of the second section": lambda: _cleared(
        BSS_AT,
        BSS_AT + 0xC0,
        READINGS,
        TIDES,
        sections=(_section(size=0x80), _section(".bss2", BSS_AT + 0x80, 0x80)),
    ),
    "a named section that no block reaches": lambda: _cleared(
        BSS_AT,
        BSS_AT + 0x80,
        READINGS,
        TIDES,
        sections=(_section(".buffers", size=0x80), _section(".bss", BSS_AT + 0x80, 0x80)),
    ),
    "two named sections that no block reaches": lambda: _cleared(
        BSS_AT,
        BSS_AT + 0x40,
        _object("level", BSS_AT + 0x40, 4),
        TIDES,
        sections=(
            _section(".buffers", size=0x40),
            _section(".zi", BSS_AT + 0x40, 0x40),
            _section("COMMON", BSS_AT + 0x80, 0x80),
        ),
    ),
    "code that clears nothing": lambda: verdict_builds.of(
        RULE, "v7", "station-startup", "sampler-startup-not-cleared", changes=(AT_ZERO,)
    ),
    "code of a board that clears nothing": lambda: verdict_builds.of(
        RULE, "v7", "station-board", "sampler-board-bss-left"
    ),
    "code that stops too early": lambda: verdict_builds.of(
        RULE, "v7", "station-board", "sampler-board-bss-early"
    ),
    "a quarter of a section whose name says nothing": lambda: verdict_builds.of(
        RULE, "v7", "sampler-stacks-plain-cleared-early"
    ),
    "all but the front": lambda: verdict_builds.of(RULE, "v6", "sampler-stacks-plain-cleared-late"),
    "a table that leaves it out": lambda: verdict_builds.of(RULE, "v7", "sampler-clear-table-empty"),
    "labels of what is kept around nothing": lambda: verdict_builds.of(
        RULE, "v8", "sampler-kept-nothing-not-cleared"
    ),
    "the end of a stack in front": lambda: verdict_builds.of(RULE, "v6", "sampler-kept-before-not-cleared"),
    "an empty block": lambda: _cleared(BSS_AT, BSS_AT, READINGS, TIDES),
    "objects named as heap and stack among it": lambda: _half(
        _object("default_heap", BSS_AT + 0x80, 0x20), _object("idle_stack", BSS_AT + 0xA0, 0x20), LATE_TIDES
    ),
}
KEEPS = {
    "code that clears all": lambda: verdict_builds.of(
        RULE, "v7", "station-startup", "sampler-startup", changes=(AT_ZERO,)
    ),
    "a section whose name says nothing": lambda: verdict_builds.of(RULE, "v7", "sampler-stacks-plain"),
    "code of a board that clears all": lambda: verdict_builds.of(
        RULE, "v7", "station-board", "sampler-board"
    ),
    "a named section without objects": lambda: _cleared(
        BSS_AT,
        BSS_AT + 0x80,
        READINGS,
        sections=(_section(".buffers", size=0x80), _section(".bss", BSS_AT + 0x80, 0x80)),
    ),
    "a named section that keeps its content": lambda: _cleared(
        BSS_AT,
        BSS_AT + 0x80,
        READINGS,
        TIDES,
        sections=(_section(".buffers", size=0x80), _section(".bss.noinit", BSS_AT + 0x80, 0x80)),
    ),
    "whole": lambda: _cleared(BSS_AT, BSS_AT + 0x100, READINGS, TIDES),
    "further than it reaches": lambda: _cleared(BSS_AT, BSS_AT + 0x140, READINGS, TIDES),
    "nothing after the end": lambda: _half(),
    "a heap in the same section": lambda: _half(label("__HeapBase", BSS_AT + 0x80), TIDES),
    "objects that are heap and stack": lambda: _half(
        _object("default_heap", BSS_AT + 0x80, 0x20), _object("idle_stack", BSS_AT + 0xA0, 0x60)
    ),
    "an object that is kept among it": lambda: _half(
        _object("retained_count", BSS_AT + 0x80, 0x20), LATE_TIDES
    ),
    "data that is kept, in the same section": lambda: _half(label("__noinit_start", BSS_AT + 0x80), TIDES),
    "labels of what is kept in front of all": lambda: verdict_builds.of(RULE, "v7", "sampler-kept-all"),
    "a section that no block touches": lambda: _cleared(
        BSS_AT,
        BSS_AT + 0x80,
        READINGS,
        TIDES,
        sections=(_section(size=0x80), _section(".buffers", BSS_AT + 0x80, 0x80)),
    ),
    "an end rounded up into the next section": lambda: _cleared(
        BSS_AT,
        BSS_AT + 0x84,
        READINGS,
        TIDES,
        sections=(_section(size=0x80), _section(".buffers", BSS_AT + 0x80, 0x80)),
    ),
    "sound, in place": lambda: of(RULE, "station"),
    "sound, copied": lambda: of(RULE, "copying-station"),
    **on_the_gauge(RULE),
}


@pytest.mark.parametrize("name", [".noinit", ".no_init", ".heap", ".stack", ".shared", ".persistent"])
def test_sections_that_keep_their_content_are_left_alone(name) -> None:
    """A section whose name says that it is not to be cleared is no party, whatever block begins in it."""
    assert _half(TIDES, name=name).status == "not checked"
    assert findings(_half(TIDES, name=".data2"))


def test_shared_memory_is_left_alone() -> None:
    """What lies in a shared area is not told here: clearing any of it is start-clears-own-ram's matter."""
    tides = _object("tides", LINK, 0x80)
    result = _cleared(LINK, LINK + 0x40, tides, sections=(_section(".exchange", LINK, 0x80),))
    assert not findings(result)


def test_the_bytes_that_are_left_are_told() -> None:
    """Of 256 bytes of which 252 are cleared, the last four are told, with the object that they belong to."""
    (finding,) = findings(BREAKS["the last word"]())
    assert finding.found == "not cleared: 0x2000_013C..0x2000_013F, 4 bytes"
    assert "tides at 0x2000_00C0" in finding.lines[0]


def test_without_symbols_nothing_is_known() -> None:
    """A build without the usual symbols is no party; the image alone needs the file."""
    assert apply(RULE).status == "not checked"
    assert {each.reason for each in apply(RULE, handed={}).not_checked} == {
        "needs the ELF file: station=FILE",
        "needs the ELF file: sampler=FILE",
    }


@pytest.mark.parametrize(
    ("over", "meant"), [(ROUNDED - 1, False), (ROUNDED, True), (0x7F, True), (0x80, False)]
)
def test_a_block_that_reaches_into_a_section_by_more_than_rounding_is_meant_for_it(over, meant) -> None:
    """An end rounded up leaves the next section alone; one that reaches further leaves the rest of it out."""
    sections = (_section(size=0x80), _section(".buffers", BSS_AT + 0x80, 0x80))
    result = _cleared(BSS_AT, BSS_AT + 0x80 + over, READINGS, TIDES, sections=sections)
    assert bool(findings(result)) == meant


SOURCE = """
#include <stdint.h>
extern uint32_t data_start[], data_end[], data_load[], bss_start[], bss_end[], fast_start[], fast_end[];
uint32_t level = 7, counts[20];
__attribute__((section(".fast_bss"))) uint32_t buffer[32];
int main(void)
{
    LATE
    for (;;) buffer[counts[0]++ & 31] = level;
}
void reset_handler(void)
{
    for (uint32_t *to = data_start, *from = data_load; to < data_end;) *to++ = *from++;
    for (uint32_t *to = bss_start; to < bss_end;) *to++ = 0;
    main();
    for (;;) { }
}
__attribute__((section(".vectors"), used)) void *const vectors[] = {(void *)0x20004000, reset_handler};
"""
SCRIPT = """
SECTIONS
{
  .text 0x10008000 : { KEEP(*(.vectors)) *(.text*) *(.rodata* .ARM.exidx*) . = ALIGN(4); }
  data_load = .;
  .data 0x20002000 : AT(data_load) { data_start = .; *(.data*) data_end = .; }
  .bss (NOLOAD) : { bss_start = .; *(.bss*) . = ALIGN(4); bss_end = .; }
  .fast_bss 0x20003000 (NOLOAD) : { fast_start = .; *(.fast_bss) fast_end = .; }
}
"""
LATER = {
    "nothing": ("", 1),
    "all of it": ("for (uint32_t *to = fast_start; to < fast_end;) *to++ = 0;", 0),
    "all of it by a count": ("for (unsigned at = 0; at < 32; at++) buffer[at] = 0;", 0),
    "all but the last word": ("for (unsigned at = 0; at < 31; at++) buffer[at] = 0;", 1),
    "one variable": ("buffer[3] = 0; counts[2] = 0;", 1),
}


VECTORS_IN_RAM = """
#include <stdint.h>
extern const void *const vectors[24];
__attribute__((section(".ram_vectors"), aligned(128))) uint32_t table[WORDS];
static void trap(void) { for (;;) { } }
void reset_handler(void)
{
    for (unsigned at = 0; at < 24; at++) table[at] = VALUE;
    *(volatile uint32_t *)0xE000ED08u = (uint32_t)table;
    for (;;) { }
}
__attribute__((section(".vectors"), used)) const void *const vectors[24] = {
    (void *)0x20004000, reset_handler, trap, trap, trap, [14 ... 23] = trap };
"""
RAM_SCRIPT = """
SECTIONS
{
  .text 0x10008000 : { KEEP(*(.vectors)) *(.text*) *(.rodata* .ARM.exidx*) }
  .ram_vectors 0x20002000 (NOLOAD) : { *(.ram_vectors) }
}
"""


@pytest.mark.parametrize("family", verdict_builds.ARCHITECTURES)
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize(
    ("words", "value", "count"),
    [(24, "(uint32_t)vectors[at]", 0), (40, "(uint32_t)vectors[at]", 0), (40, "0", 1)],
)
def test_what_is_copied_to_is_not_cleared(
    words: int, value: str, count: int, compiler: str, family: str
) -> None:
    """Vectors copied to a table with room for more do not make its section one that is cleared in part."""
    source = VECTORS_IN_RAM.replace("WORDS", str(words)).replace("VALUE", value)
    assert len(_found_in(source, RAM_SCRIPT, family, compiler)) == count


@pytest.mark.parametrize("family", verdict_builds.ARCHITECTURES)
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize("later", LATER)
def test_main_may_clear_a_section_of_its_own(later: str, compiler: str, family: str) -> None:
    """A section beside ``.bss`` that main clears whole, before it uses it, is cleared; one that it does not is not."""
    words, count = LATER[later]
    found = _found_in(SOURCE.replace("LATE", words), SCRIPT, family, compiler)
    assert [each.where for each in found] == ["build sampler (core.elf, section .fast_bss)"] * count


SIZES = {
    "a device's size of RAM": (
        "uint32_t end = 0x20000000 + (*(volatile uint32_t *)0x40011F20 & 0xFFFF) * 1024;",
        "bss_start",
        "end",
        0,
    ),
    "the stack of a table that a device names": (
        "uint32_t end = **(uint32_t *volatile *)0xE000ED08 - 256;",
        "bss_start",
        "end",
        0,
    ),
    "the same from the second variable on": (
        "uint32_t end = 0x20000000 + (*(volatile uint32_t *)0x40011F20 & 0xFFFF) * 1024;",
        "bss_start + 4",
        "end",
        1,
    ),
    "an end too early beside a device's answer": (
        "uint32_t end = (uint32_t)bss_start + 16; if (*(volatile uint32_t *)0x40011F20) end -= 4;",
        "bss_start",
        "end",
        1,
    ),
}


@pytest.mark.parametrize("family", verdict_builds.ARCHITECTURES)
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize("size", SIZES)
def test_an_end_that_is_not_known_is_not_too_early(size: str, compiler: str, family: str) -> None:
    """What a loop may reach is not checked; what is before its start, or after each of its ends, is a finding."""
    first, start, end, count = SIZES[size]
    loop = f"{first} for (volatile uint32_t *to = {start}; (uint32_t)to < {end};) *to++ = 0;"
    source = SOURCE.replace("for (uint32_t *to = bss_start; to < bss_end;) *to++ = 0;", loop)
    source = source.replace("int main", "__attribute__((noinline)) int main")
    fast = LATER["all of it"][0]
    result = _result_of(source.replace("LATE", fast), SCRIPT, family, compiler)
    assert [each.where for each in findings(result)] == ["build sampler (core.elf, section .bss)"] * count
    assert any("not known" in each.reason for each in result.not_checked) == (not count)


def _found_in(source: str, script: str, family: str, compiler: str) -> list[Finding]:
    return list(findings(_result_of(source, script, family, compiler)))


def _result_of(source: str, script: str, family: str, compiler: str) -> RuleResult:
    sampler = compiled_sampler(source, script, family, compiler)
    read, made = verdict_builds.layout_of(family), verdict_builds.builds_of(family) | {"sampler": sampler}
    rule = rule_named(RULE)
    assert rule
    return check(Inspection(read, join(read, made).image, made), TODAY, [rule]).results[0]


@pytest.mark.parametrize(
    ("file", "found", "step"),
    [
        (
            "sampler-clear-table-empty",
            "no entry for .bss in the table at __zero_table_start__",
            "LONG(ADDR(.bss))",
        ),
        (
            "sampler-clear-entry-empty",
            "an empty entry for .bss in the table at __zero_table_start__",
            "SIZEOF",
        ),
        ("sampler-bss-orphans", "an empty block", "*(.bss .bss.* COMMON)"),
        ("sampler-bss-nothing", "an empty block", "between the two symbols"),
        ("sampler-stacks-not-cleared", "a block that no code clears", "clear"),
    ],
)
@pytest.mark.parametrize("family", verdict_builds.ARCHITECTURES)
def test_the_next_step_fits_what_clears_nothing(file, found, step, family) -> None:
    """An entry for a table that lacks it, input sections between the symbols, or code that uses them."""
    finding = verdict_builds.of(RULE, family, file).findings[0].finding
    assert "clears nothing of" in finding.what
    assert found in finding.found
    assert step in finding.next_step


def test_what_code_may_clear_by_other_names_is_not_judged() -> None:
    """Code that holds both ends of what no known block clears may clear it, where it is not followed whole."""
    words = struct.pack("<2H2I", 0x4800, 0x4901, BSS_AT, BSS_AT + 0x100)
    code = SegmentSpec(TABLE_AT, words, flags="rx")
    assert _cleared(BSS_AT, BSS_AT, READINGS, TIDES).findings
    assert not _cleared(BSS_AT, BSS_AT, READINGS, TIDES, sections=(BSS, code)).findings
