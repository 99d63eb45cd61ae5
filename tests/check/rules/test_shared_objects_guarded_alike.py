"""Tests of the rule ``shared-objects-guarded-alike``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "shared-objects-guarded-alike"
BREAKS = {
    "plain in the station": lambda: of(RULE, "v6", "station-link-plain", "sampler-debug"),
    "plain in the sampler": lambda: of(RULE, "v7", "station-debug", "sampler-link-plain"),
}
KEEPS = {
    "volatile on both sides": lambda: of(RULE, "v7", "station-debug", "sampler-debug"),
    "plain on both sides": lambda: of(RULE, "v8", "station-link-plain", "sampler-link-plain"),
    "volatile and atomic": lambda: of(RULE, "v8", "station-debug", "sampler-link-atomic"),
    "Rust": lambda: of(RULE, "v6", "station-c", "sampler-rust"),
    "C++": lambda: of(RULE, "v7", "station-c", "sampler-cxx"),
}


def test_the_plain_side_is_named() -> None:
    """The finding names the build that has the plain object."""
    (finding,) = findings(BREAKS["plain in the station"]())
    assert finding.what.startswith("build station shares link_words as a plain object")
