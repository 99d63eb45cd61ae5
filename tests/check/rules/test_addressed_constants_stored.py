"""Tests of the rule ``addressed-constants-stored``."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from small_device import TODAY, findings
from tools import required_tool
from verdict_builds import ARCHITECTURES, broken_in, builds_of, judged, layout_of, of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.rules.addressed_constants_stored import LEAST_HOLE, MAX_STRIDE
from gemel.checking.runner import RuleResult, check
from gemel.inspection.code.address_literals import held_addresses
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.spans import Span

RULE = "addressed-constants-stored"
BREAKS = {
    "a section of constants left out, by GCC": lambda: of(RULE, "v6", "sampler-no-constants"),
    "the same by clang": lambda: of(RULE, "v7", "sampler-no-constants"),
}
KEEPS = {
    "all sections": lambda: of(RULE, "v6", "sampler"),
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
    assert list(held_addresses(wanted, bytes(8), literal, 0x2000)) == [(4, 0x1000_8010)]
    assert list(held_addresses(wanted, literal, literal, 0x2000)) == []
    pair = bytes.fromhex("48f22001c1f20001")  # MOVW r1, #0x8020; MOVT r1, #0x1000
    assert list(held_addresses(wanted, pair, pair, 0x2000)) == [(0, 0x1000_8020)]
    other = bytes.fromhex("48f22001c1f20002")  # MOVT r2
    assert list(held_addresses(wanted, other, other, 0x2000)) == []


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


def _compiled(folder: Path, family: str, source: str, gap: int) -> RuleResult:
    """What the rule says of a sampler compiled from ``source``, with ``gap`` bytes between its constants."""
    compiler = required_tool("arm-none-eabi-gcc")
    (folder / "loops.c").write_text(source)
    (folder / "loops.ld").write_text(SCRIPT.replace("GAP", str(gap)))
    options = ["-mthumb", f"-march={ARCHITECTURES[family]}", "-O1", "-nostdlib", "-T", "loops.ld"]
    subprocess.run([compiler, *options, "loops.c", "-o", "loops.elf"], cwd=folder, check=True)
    data = (folder / "loops.elf").read_bytes()
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
def test_a_loop_may_end_after_its_object_and_start_before_it(tmp_path: Path, family: str, gap: int) -> None:
    """Compilers hold the address after the last element, and the one an element before the first: no constants."""
    assert _compiled(tmp_path, family, LOOPS, gap).status == "holds"


@pytest.mark.parametrize(("gap", "status"), [(LEAST_HOLE - 4, "holds"), (LEAST_HOLE, "broken")])
def test_fewer_bytes_than_a_hole_are_alignment(tmp_path: Path, gap: int, status: str) -> None:
    """An address in a gap of LEAST_HOLE bytes is a constant that was left out; in a smaller one it is not."""
    source = LOOPS.replace("each = tail;", "each = (const uint32_t *)((char *)table + 40);")
    source = source.replace('__attribute__((section(".tail"))) const uint32_t tail[4] = {5, 6, 7, 8};', "")
    source += '__asm__(".section .tail,\\"a\\"; .balign 4; .word 5, 6, 7, 8; .text");'
    assert _compiled(tmp_path, "v7", source.replace("tail + 4", "table + 99"), gap).status == status


@pytest.mark.parametrize(("before", "status"), [(MAX_STRIDE, "holds"), (MAX_STRIDE + 4, "broken")])
def test_how_far_before_an_object_a_loop_may_start(tmp_path: Path, before: int, status: str) -> None:
    """MAX_STRIDE bytes before an object are an element of it; further away nothing is meant but what was there."""
    source = LOOPS.replace("each = tail;", f"each = (const uint32_t *)((char *)tail - {before});")
    assert _compiled(tmp_path, "v7", source, 512).status == status
