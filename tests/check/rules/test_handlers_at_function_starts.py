"""Tests of the rule ``handlers-at-function-starts``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "handlers-at-function-starts"
BREAKS = {
    "inside an instruction or function": lambda: of(RULE, "v6", "sampler-vector-inside"),
    "by clang and lld": lambda: of(RULE, "v7", "sampler-vector-inside"),
    "reset handler": lambda: of(RULE, "v8", "sampler-reset-behind"),
}
KEEPS = {
    "both builds": lambda: of(RULE, "v7"),
    "an entry with a label of its own": lambda: of(RULE, "v8", "sampler-entries"),
    "handlers in RAM": lambda: of(RULE, "v6", "sampler-ram-code"),
    "a C library's start": lambda: of(RULE, "v6", "station-library", "sampler-library"),
}


def test_the_finding_names_the_function_and_the_distance() -> None:
    """A handler behind a function's start is told with the function and how far it is."""
    (finding,) = findings(BREAKS["reset handler"]())
    assert (
        finding.what == "a reset handler of build sampler is inside of reset_handler, 4 bytes after its start"
    )
