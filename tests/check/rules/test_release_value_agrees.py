"""Tests of the rule ``release-value-agrees``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "release-value-agrees"
BREAKS = {
    "by GCC": lambda: of(RULE, "v6", "station-release-value"),
    "by clang": lambda: of(RULE, "v7", "station-release-value"),
}
KEEPS = {
    "by GCC": lambda: of(RULE, "v8"),
    "by clang": lambda: of(RULE, "v7"),
}


def test_both_values_are_shown() -> None:
    """The finding shows what is written and what would release the core."""
    (finding,) = findings(BREAKS["by GCC"]())
    assert finding.found.startswith("0x0000_0002")
    assert finding.expected == "0x0000_0000 in the bits 0x0000_0002"
