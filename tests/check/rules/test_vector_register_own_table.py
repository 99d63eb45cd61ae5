"""Tests of the rule ``vector-register-own-table``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "vector-register-own-table"
BREAKS = {
    "another core's table, by GCC": lambda: of(RULE, "v6", "sampler-vtor-station"),
    "another core's table, by clang": lambda: of(RULE, "v7", "sampler-vtor-station"),
    "nothing there": lambda: of(RULE, "v8", "sampler-vtor-nothing"),
}
KEEPS = {
    "its own table, by GCC": lambda: of(RULE, "v6", "sampler-vtor"),
    "its own table, by clang": lambda: of(RULE, "v7", "sampler-vtor"),
}


def test_the_other_core_is_named() -> None:
    """The finding names the core whose table it is, and the function that sets it."""
    (finding,) = findings(BREAKS["another core's table, by GCC"]())
    assert "the table of core station" in finding.what
    assert "(reset_handler)" in finding.where
