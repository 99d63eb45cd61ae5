"""Tests of the rule ``initialised-data-in-ram``."""

from __future__ import annotations

from small_device import findings
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
