"""Tests of the rule ``shared-objects-guarded-alike``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "shared-objects-guarded-alike"
BREAKS = {
    "plain in the station": lambda: of(RULE, "v6", "station-link-plain", "sampler-debug"),
    "plain in the sampler": lambda: of(RULE, "v7", "station-debug", "sampler-link-plain"),
    "a plain member": lambda: of(RULE, "v6", "station-link-members", "sampler-link-member-plain"),
}
KEEPS = {
    "members alike": lambda: of(RULE, "v6", "station-link-members", "sampler-link-members"),
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


def test_the_plain_member_is_named() -> None:
    """The finding names the member and the build in which it is plain."""
    (finding,) = findings(BREAKS["a plain member"]())
    assert finding.what.startswith("build sampler has link_state.count as a plain member")
