"""Faults of linking and of objcopy that several rules meet: one finding, by real builds."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from small_device import TODAY
from tools import required_tool
from verdict_builds import ARCHITECTURES, broken_in, builds_of, layout_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import RulesApplied, check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.outcomes import Finding

SOURCE = """
#include <stdint.h>
__attribute__((section(".shared"))) volatile uint32_t link_words[32];
__attribute__((used)) const uint32_t sampler_start_address = 0x10008000u;
static void trap(void) { for (;;) { } }
void reset_handler(void)
{
    link_words[0] = 1;
    *(volatile uint32_t *)0x40021114u = sampler_start_address;
    *(volatile uint32_t *)0x40021118u = 0u;
    for (;;) { }
}
__attribute__((section(".vectors"), used)) void *const vectors[24] = {
    (void *)(TOP), reset_handler, trap, trap, [11] = trap, [14 ... 23] = trap };
"""
SCRIPT = """
ENTRY(reset_handler)
SECTIONS
{
  .vectors START : { KEEP(*(.vectors)) }
  .text : { *(.text* .rodata*) }
  .shared 0x20004000 (NOLOAD) : { *(.shared) }
}
"""


DRIVERS = """
static void act(void) { link_words[1]++; }
struct driver { void *state; void (*calls[3])(void); };
__attribute__((section(".text.drivers"), used)) const struct driver drivers[COUNT] = {
    [0 ... COUNT - 1] = { (void *)0x20001000, { act, act, act } } };
"""
"""Objects that begin as vector tables do: an address in RAM, then functions."""


def _judged(
    folder: Path, family: str, core: str, start: int, *options_of_copy: str, front: str = "", more: str = ""
) -> RulesApplied:
    """A build of ``core`` with ``front`` in the linker script before the vectors, and ``more`` in its source."""
    top = {"station": "0x20002000", "sampler": "0x20004000"}[core]
    (folder / "core.c").write_text(SOURCE.replace("TOP", top) + more)
    (folder / "core.ld").write_text(SCRIPT.replace("START", hex(start)).replace("KEEP", front + "KEEP"))
    gcc = required_tool("arm-none-eabi-gcc")
    options = ["-mthumb", f"-march={ARCHITECTURES[family]}", "-O1", "-nostdlib", "-T", "core.ld"]
    subprocess.run([gcc, *options, "core.c", "-o", "core.elf"], cwd=folder, check=True)
    if options_of_copy:
        copy = required_tool("arm-none-eabi-objcopy")
        subprocess.run([copy, *options_of_copy, "core.elf"], cwd=folder, check=True)
    made = read_build(BytesSource((folder / "core.elf").read_bytes(), "core.elf"), name=core, file="core.elf")
    read, builds = layout_of(family), {**builds_of(family), core: made}
    return check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize(
    ("left_out", "broken"),
    [((), {}), (("--remove-section=.text",), {"reset-handler-in-code": 1})],
    ids=["whole", "no code"],
)
def test_code_left_out_is_told_once(
    left_out: tuple[str, ...], broken: dict[str, int], family: str, tmp_path: Path
) -> None:
    """Without its code a build lacks the boot symbol too, and nothing shows what it writes."""
    assert broken_in(_judged(tmp_path, family, "station", 0x1000_0000, *left_out)) == broken


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("start", [0x1000_8000, 0x1000_8800])
def test_the_header_of_the_file_at_the_place_of_the_vectors_is_named(
    start: int, family: str, tmp_path: Path
) -> None:
    """A build linked further on, whose linker reaches back to the start of the file, has one finding that says so."""
    result = _judged(tmp_path, family, "sampler", start)
    assert broken_in(result) == ({} if start == 0x1000_8000 else {"vector-table-not-blank": 1})
    for each in result.results:
        for finding in each.findings:
            assert "is the header of the ELF file" in finding.finding.what
            assert "--nmagic" in finding.finding.next_step


def _blank(result: RulesApplied) -> Finding:
    """The one finding of a build without vectors where they should be."""
    ((rule, finding),) = result.open_findings("error")
    assert rule.name == "vector-table-not-blank"
    return finding


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("copied", [(), ("--strip-all",)], ids=["symbols", "stripped"])
@pytest.mark.parametrize("distance", [8, 16, 0x44, 0x80, 0x100])
def test_zeros_before_the_vectors_are_told_with_where_these_are(
    distance: int, copied: tuple[str, ...], family: str, tmp_path: Path
) -> None:
    """A table of 24 words is at a multiple of 128; at another place no vector_offset makes it one of use."""
    front = f". += {distance:#x}; "
    finding = _blank(_judged(tmp_path, family, "sampler", 0x1000_8000, *copied, front=front))
    assert finding.what == "the vector table of build sampler is not where core sampler looks for it"
    aligned = distance % 0x80 == 0
    assert finding.found.startswith(
        f"words of a vector table at 0x1000_{0x8000 + distance:04X}"
        + ("; " if aligned else ", not aligned for 8 interrupts; ")
    )
    assert ("vector_offset" in finding.next_step) == aligned
    assert ("KEEP(*(.vectors))" in finding.next_step) != aligned


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize(
    ("count", "copied"),
    [(1, ()), (3, ()), (4, ()), (4, ("--strip-all",)), (1, ("--set-start=0x10008101",))],
)
def test_functions_after_an_address_in_ram_are_no_vectors(
    count: int, copied: tuple[str, ...], family: str, tmp_path: Path
) -> None:
    """Where the vectors were left out, an object that begins as they do is not taken for them."""
    more = DRIVERS.replace("COUNT", str(count))
    left_out = ("--update-section=.vectors=zeros", *copied)
    (tmp_path / "zeros").write_bytes(bytes(96))
    finding = _blank(_judged(tmp_path, family, "sampler", 0x1000_8000, *left_out, more=more))
    assert finding.what == "the vector table of build sampler is blank"
    assert "words of a vector table" not in finding.found
