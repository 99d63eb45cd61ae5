"""Tests of the rule ``addressed-constants-stored``."""

from __future__ import annotations

import pytest
from built import built
from compiled_sampler import compiled_sampler
from small_device import TODAY, findings
from tools import required_tool
from verdict_builds import ARCHITECTURES, broken_in, builds_of, judged, layout_of, of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.rules.addressed_constants_stored import MAX_INDEX, MAX_STRIDE, NEAR_START, ROUND
from gemel.checking.runner import RuleResult, check
from gemel.inspection.code.address_literals import FEW_HALVES, held_addresses
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.spans import Span

RULE = "addressed-constants-stored"
BREAKS = {
    "a section of constants left out, by GCC": lambda: of(RULE, "v6", "sampler-no-constants"),
    "the same by clang": lambda: of(RULE, "v7", "sampler-no-constants"),
    "a table that start-up code reads, right after an object": lambda: of(RULE, "v6", "sampler-no-tables"),
}
KEEPS = {
    "all sections": lambda: of(RULE, "v6", "sampler"),
    "all sections, with tables": lambda: of(RULE, "v6", "sampler-tables"),
    "a gap between code and constants": lambda: of(RULE, "v7", "sampler-gaps"),
    "room that the device writes at run time": lambda: of(RULE, "v8", "sampler-stacks"),
}


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_the_place_that_holds_the_address_is_named(family: str) -> None:
    """The finding names the function that holds an address in the hole."""
    (finding,) = findings(of(RULE, family, "sampler-no-constants"))
    assert finding.span is not None
    assert "(reset_handler" in finding.lines[0]


def test_code_that_was_left_out_is_the_handlers_finding() -> None:
    """Without .text the vectors lead nowhere, which is said once."""
    at_zero = (("start = 0x1000_0000", "start = 0x0000_0000"),)
    result = judged("v6", ("station-startup", "sampler-startup-left-out"), at_zero)
    assert broken_in(result) == {"handlers-executable": 1}


def test_an_address_is_held_by_a_literal_or_by_two_instructions() -> None:
    """A word counts among data only, MOVW and MOVT of one register as code."""
    wanted = Span(0x1000_8000, 0x100)
    literal = bytes(4) + 0x1000_8010.to_bytes(4, "little")
    loads = bytes.fromhex("0048") + bytes(6)  # LDR r0, [PC]: the word at 4
    assert list(held_addresses(wanted, loads, literal, 0x2000)) == [(4, 0x1000_8010)]
    assert list(held_addresses(wanted, bytes.fromhex("dff80000") + bytes(4), literal, 0x2000)) == [
        (4, 0x1000_8010)
    ]
    assert (
        list(held_addresses(wanted, bytes(4) + bytes.fromhex("5ff80400"), literal[4:] + bytes(4), 0x2000))
        == []
    )
    assert list(held_addresses(wanted, bytes(8), literal, 0x2000)) == []
    assert list(held_addresses(wanted, literal, literal, 0x2000)) == []
    pair = bytes.fromhex("48f22001c1f20001")  # MOVW r1, #0x8020; MOVT r1, #0x1000
    assert list(held_addresses(wanted, pair, pair, 0x2000)) == [(0, 0x1000_8020)]
    assert list(held_addresses(Span(0x1000_0000, 0x100), *[bytes.fromhex("2021c1f20001")] * 2, 0x2000)) == [
        (0, 0x1000_0020)  # MOVS r1, #0x20; MOVT r1, #0x1000
    ]
    assert list(held_addresses(wanted, *[bytes.fromhex("4ff40041c1f20001")] * 2, 0x2000)) == [
        (0, 0x1000_8000)  # MOV.W r1, #0x8000; MOVT r1, #0x1000
    ]
    other = bytes.fromhex("48f22001c1f20002")  # MOVT r2
    assert list(held_addresses(wanted, other, other, 0x2000)) == []


@pytest.mark.parametrize(
    "size", [1, 0x100, *(limit + by for limit in (0x200, FEW_HALVES) for by in (-1, 0, 1)), 0x3_0000]
)
@pytest.mark.parametrize("start", [0x1000_8000, 0x1000_80FF, 0x1000_FFFE, 0x0000_0000, 0xFFFC_0000])
def test_addresses_are_held_alike_in_few_pages_and_in_many(start: int, size: int) -> None:
    """Of the words around both ends of what is wanted, those inside are found, at each multiple of 4 that is loaded."""
    wanted = Span(start, size)
    around = {
        at + by for at in (start, wanted.end) for by in (-0x1_0000, -0x101, -2, -1, 0, 1, 2, 0xFF, 0x1_0000)
    }
    for word in sorted(each for each in around if 0 < each < 1 << 32):
        for shift in (0, 2):
            data = bytes(4 + shift) + word.to_bytes(4, "little") + bytes(4)
            code = bytes.fromhex("0048") + bytes(len(data) - 2)
            found = [at for at, value in held_addresses(wanted, code, data, 0x2000) if value == word]
            assert found == ([4] if wanted.holds(word) and not shift else [])


LOOPS = """
#include <stdint.h>
volatile uint32_t sink;
const uint32_t table[8] = {1, 2, 3, 4, 5, 6, 7, 9};
__attribute__((section(".tail"))) const uint32_t tail[4] = {5, 6, 7, 8};
void reset_handler(void)
{
    for (const uint32_t *each = table; each != table + 8; ++each) sink = *each;
    for (const uint32_t *each = tail; each != tail + 4; ++each) sink = *each;
    for (;;) { }
}
__attribute__((section(".vectors"), used)) const void *const vectors[] = {(void *)0x38010000, reset_handler};
"""
SCRIPT = """
SECTIONS
{
  .text 0x10008000 : { KEEP(*(.vectors)) *(.text*) }
  .rodata : { *(.rodata*) }
  .tail ADDR(.rodata) + SIZEOF(.rodata) + GAP : { KEEP(*(.tail)) }
  .bss 0x38008000 (NOLOAD) : { *(.bss*) }
}
"""


def _compiled(family: str, source: str, script: str, *, convert: tuple[str, ...] = ()) -> RuleResult:
    """What the rule says of a sampler compiled from ``source``, linked by ``script``, converted by objcopy."""
    compiler = required_tool("arm-none-eabi-gcc")
    options = ["-mthumb", f"-march={ARCHITECTURES[family]}", "-O1", "-nostdlib", "-T", "loops.ld"]
    commands = [[compiler, *options, "loops.c", "-o", "loops.elf"]]
    if convert:
        commands.append([required_tool("arm-none-eabi-objcopy"), *convert, "loops.elf"])
    data = built({"loops.c": source, "loops.ld": script}, *commands, made="loops.elf")
    read = layout_of(family)
    builds = {
        **builds_of(family, "station"),
        "sampler": read_build(BytesSource(data, "loops.elf"), name="sampler", file="loops.elf"),
    }
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    rule = rule_named(RULE)
    assert rule
    return check(inspection, TODAY, [rule]).results[0]


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("gap", [MAX_STRIDE, 4096])
def test_a_loop_may_end_after_its_object_and_start_before_it(family: str, gap: int) -> None:
    """Compilers hold the address after the last element, and the one an element before the first: no constants."""
    assert _compiled(family, LOOPS, SCRIPT.replace("GAP", str(gap))).status == "holds"


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("left_out", [(), ("--remove-section=.tail",)])
def test_code_without_mapping_symbols_is_not_checked(family: str, left_out: tuple[str, ...]) -> None:
    """``objcopy --discard-all`` takes what tells code from literals, whether or not a section is missing."""
    script = SCRIPT.replace("GAP", str(MAX_STRIDE))
    result = _compiled(family, LOOPS, script, convert=("--discard-all", *left_out))
    assert result.status == "not checked"
    assert "has no mapping symbols" in str(result.not_checked[0].reason)


NUMBERS = """
#include <stdint.h>
volatile uint32_t sink;
void reset_handler(void)
{
    const uint32_t *volatile at = (const uint32_t *)NUMBER;
    sink = *at;
    for (;;) { }
}
__attribute__((section(".vectors"), used)) const void *const vectors[] = {(void *)0x38010000, reset_handler};
__asm__(".section .tail,\\"a\\"; .balign 4; .word 5, 6, 7, 8; .text");
"""


def _code_end(at: int, tail: int) -> str:
    """A script by which the code ends at ``at`` and the constants begin at ``tail``."""
    lines = (
        "SECTIONS",
        "{",
        f".text 0x10008000 : {{ KEEP(*(.vectors)) *(.text*) . = {at - 0x1000_8000}; }}",
        f".tail {tail} : {{ KEEP(*(.tail)) }}",
        ".bss 0x38008000 (NOLOAD) : { *(.bss*) }",
        "}",
    )
    return "\n".join(lines)


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize(
    ("at", "number", "tail", "status"),
    [
        pytest.param(0x80A4, 0x80A4, 0x80AC, "broken", id="eight bytes that no alignment asks for"),
        pytest.param(0x80A4, 0x80A8, 0x8204, "broken", id="what follows is where the linker packed it"),
        pytest.param(
            0x80A4, 0x8150, 0x8204, "broken", id="wherever the address is, since what follows moves"
        ),
        pytest.param(0x80A4, 0x8150, 0x8200 + ROUND, "holds", id="a serial number before a fixed place"),
        pytest.param(0x80A4, 0x8150, 0x9000 - 16, "holds", id="a place that ends at a fixed address"),
        pytest.param(0x80A4, 0x80A4 + NEAR_START - 4, 0x8200, "holds", id="a multiple of ROUND is a number"),
        pytest.param(
            0x80A8, 0x80A8 + NEAR_START - 4, 0x8200, "broken", id="soon after code, which nobody can know"
        ),
        pytest.param(0x80A8, 0x80A8 + NEAR_START, 0x8200, "holds", id="later"),
        pytest.param(0x80A4, 0x80C4, 0x80A4, "broken", id="the last section"),
        pytest.param(0x80A4, 0x8100, 0x80A4, "holds", id="settings after the last section"),
    ],
)
def test_a_number_in_code_is_no_constant(family: str, at: int, number: int, tail: int, status: str) -> None:
    """What the device writes is read at a fixed address, which no section that may move can follow."""
    source = NUMBERS.replace("NUMBER", f"{0x1000_0000 + number:#x}")
    script = _code_end(0x1000_0000 + at, 0x1000_0000 + tail)
    assert _compiled(family, source, script).status == status


@pytest.mark.parametrize(
    ("place", "status"),
    [
        (f"tail - {MAX_INDEX}", "holds"),
        (f"tail - {MAX_INDEX + 4}", "broken"),
        (f"table + {MAX_STRIDE + 28}", "holds"),
        (f"table + {MAX_STRIDE + 32}", "broken"),
    ],
)
def test_how_far_from_an_object_code_may_begin_with_it(place: str, status: str) -> None:
    """An index may be large before it is used, and a loop over members end after the object: nothing was left out."""
    source = LOOPS.replace("each = tail;", f"each = (const uint32_t *)((char *){place});")
    assert _compiled("v7", source, SCRIPT.replace("GAP", "4100")).status == status


@pytest.mark.parametrize(("most", "status"), [(2, "broken"), (1, "not checked")])
def test_more_parts_than_are_looked_at_are_not_checked(
    most: int, status: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MAX_PARTS parts of sections in segments are looked at; this build has two."""
    monkeypatch.setattr("gemel.placement.places.MAX_PARTS", most)
    assert of(RULE, "v6", "sampler-no-constants").status == status


CLOSING = """
#include <stdint.h>
extern const uint32_t text_end[];
volatile uint32_t sink, limit = 9;
const uint32_t table[25] = {1, 2, 3, 4, 5, 6, 7, 9};
void reset_handler(void)
{
    for (uint32_t at = 0;; at++) USE;
}
__attribute__((section(".vectors"), used)) const void *const vectors[] = {(void *)0x38010000, reset_handler};
"""
CLOSED = """
SECTIONS
{
  .text 0x10008000 : { KEEP(*(.vectors)) *(.text*) . = ALIGN(4); text_end = .; }
  .rodata : { *(.rodata*) }
  .ARM.exidx : { *(.ARM.exidx*) }
  .data 0x38008000 : AT(LOADADDR(.rodata) + 100 + SIZEOF(.ARM.exidx)) { *(.data*) }
  .bss (NOLOAD) : { *(.bss*) }
}
"""


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize(
    ("use", "left_out", "status"),
    [
        ("sink = table[at % 25]", ".rodata", "broken"),
        ("sink = ((const uint8_t *)table)[at % 100]", ".rodata", "broken"),
        ("sink = table[at % 25]", "", "holds"),
        ("sink = at < limit ? (uint32_t)text_end : 0", ".rodata", "holds"),
    ],
)
def test_a_label_at_the_end_of_its_own_section_is_not_what_was_left_out(
    use: str, left_out: str, status: str, compiler: str, family: str
) -> None:
    """A table that begins where the script ends the code with a label is missed where code reads it there."""
    sampler = compiled_sampler(CLOSING.replace("USE", use), CLOSED, family, compiler, left_out=left_out)
    read, builds = layout_of(family), builds_of(family, "station") | {"sampler": sampler}
    rule = rule_named(RULE)
    assert rule
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    assert check(inspection, TODAY, [rule]).results[0].status == status
