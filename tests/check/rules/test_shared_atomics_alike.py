"""Tests of the rule ``shared-atomics-alike``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "shared-atomics-alike"
BREAKS = {
    "atomic in C": lambda: of(RULE, "v6", "station-debug", "sampler-link-atomic"),
    "atomic in Rust": lambda: of(RULE, "v7", "station-c", "sampler-rust"),
    "atomic in C++": lambda: of(RULE, "v8", "station-c", "sampler-cxx"),
}
KEEPS = {
    "volatile on both sides": lambda: of(RULE, "v7", "station-debug", "sampler-debug"),
    "plain on one side, which another rule shows": lambda: of(
        RULE, "v7", "station-link-plain", "sampler-debug"
    ),
}


def test_the_side_that_is_not_atomic_is_found() -> None:
    """The finding says what the other side is instead."""
    (finding,) = findings(BREAKS["atomic in C"]())
    assert finding.found.startswith("volatile in build station")
