"""Tests of the rule ``stack-limit-below-stack``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "stack-limit-below-stack"
BREAKS = {
    "above the pointer": lambda: of(RULE, "v8", "sampler-limit-above"),
    "in another core's RAM": lambda: of(RULE, "v8", "sampler-limit-elsewhere"),
}
KEEPS = {
    "by GCC": lambda: of(RULE, "v8", "sampler-limit"),
    "by clang": lambda: of(RULE, "v8", "sampler-limit-clang"),
}


def test_limit_and_pointer_are_told() -> None:
    """The finding gives the limit found and the initial stack pointer."""
    (finding,) = findings(BREAKS["above the pointer"]())
    assert finding.found == "0x2000_4000"
    assert "initial stack pointer 0x2000_4000" in finding.expected
