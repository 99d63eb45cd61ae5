"""Tests of the rule ``initialised-data-in-ram``."""

from __future__ import annotations

from elf_writer import SegmentSpec
from small_device import SAMPLER, apply, builds, findings, sampler_elf
from verdict_builds import of

RULE = "initialised-data-in-ram"
BREAKS = {
    "by GCC": lambda: of(RULE, "v6", "sampler-data-in-flash"),
    "by clang and lld": lambda: of(RULE, "v7", "sampler-data-in-flash"),
}
KEEPS = {
    "both builds": lambda: of(RULE, "v8"),
    "constants that are marked writable": lambda: of(RULE, "v7", "station-tables"),
    "a C library's linker script": lambda: of(RULE, "v7", "station-library", "sampler-library"),
}


def test_the_finding_names_section_and_memory() -> None:
    """The section, its memory and the linker script's words are told."""
    (finding,) = findings(BREAKS["by GCC"]())
    assert "memory flash" in finding.what
    assert "section .data" in finding.where
    assert "> RAM AT> FLASH" in finding.next_step


def test_sections_in_one_memory_are_one_finding() -> None:
    """Orphans that a linker script forgot are named together, with what places them."""
    orphans = tuple(
        SegmentSpec(SAMPLER + 0x800 + 64 * index, bytes(range(1, 17)), flags="rw", section_name=name)
        for index, name in enumerate((".data.scale", ".data.names"))
    )
    (finding,) = findings(apply(RULE, handed=builds(sampler=sampler_elf(extra=orphans))))
    assert ".data.scale, .data.names" in finding.where
    assert "*(.data .data.*)" in finding.next_step
