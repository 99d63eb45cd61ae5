"""Tests of the rule ``shared-values-not-private``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "shared-values-not-private"
BREAKS = {
    "by GCC": lambda: of(RULE, "v6", "station-link-pointer"),
    "by clang and lld": lambda: of(RULE, "v7", "station-link-pointer"),
    "from the secondary": lambda: of(RULE, "v8", "sampler-link-pointer"),
}
KEEPS = {
    "a number": lambda: of(RULE, "v7", "station-link-initialised"),
}


def test_holder_and_target_are_named() -> None:
    """The finding names the shared object and what it points at."""
    (finding,) = findings(BREAKS["by GCC"]())
    assert "link_buffer" in finding.where
    assert "readings" in finding.found
    assert "link_buffer + 0x4 at" in finding.lines[0]
