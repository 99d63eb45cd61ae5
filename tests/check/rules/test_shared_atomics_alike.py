"""Tests of the rule ``shared-atomics-alike``."""

from __future__ import annotations

import pytest
from contract_builds import sides
from contract_fixtures import compiled
from small_device import TODAY, findings, joined, layout
from verdict_builds import broken_in, of

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection

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


MEMBERS = 'struct { volatile uint32_t count; SEQUENCE; } tide __attribute__((section(".link")));'


@pytest.mark.parametrize(
    ("sampler", "rules"),
    [
        ("_Atomic uint32_t sequence", []),
        ("volatile uint32_t sequence", [RULE]),
        ("uint32_t sequence", ["shared-objects-guarded-alike"]),
    ],
)
def test_a_member_that_is_atomic_on_one_side_is_one_finding(sampler: str, rules: list[str]) -> None:
    """Where it is plain on the other, that is what is wrong; that the object is not atomic there follows."""
    sources = {"station": "_Atomic uint32_t sequence", "sampler": sampler}
    made = {
        name: compiled(name, MEMBERS.replace("SEQUENCE", member), "-mthumb", "-march=armv7-m")
        for name, member in sources.items()
    }
    result = check(Inspection(layout(), joined(layout(), sides()).image, made), TODAY)
    assert [name for name in broken_in(result) if name.startswith("shared-")] == rules
